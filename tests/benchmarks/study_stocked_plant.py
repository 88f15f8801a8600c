"""What decisions promise, played ten times as long as in the tests and on seeds that no test has seen.

`python -m tests.benchmarks.study_stocked_plant`; the plants, rules and targets are those of
`tests/forecasting/test_stocked_plant.py`, the seed of a case is 1,000 and its number there.
"""

from dataclasses import replace

from forecasting.stocking import Rule, StockQuestion, decide
from tests.forecasting.stocked_plant import Outcome, Room, play
from tests.forecasting.test_stocked_plant import PLANTS, ROOMS, TARGETS
from tests.forecasting.test_stocking import steady

CYCLES = {"21,000": 70, "210,000": 700}
FIRST_SEED = 1000
POINT = 0.005
CASES = [
    (f"{name}, {rule} {target:g}", replace(question, rule=rule, target=target), per_day)
    for name, (question, per_day) in PLANTS.items()
    for rule in (Rule.CYCLE, Rule.FILL)
    for target in TARGETS
]


def _played(question: StockQuestion, per_day: float, seed: int, cycles: int) -> tuple[Outcome, float, float]:
    decision = decide(question, steady(per_day))
    room = Room(
        demand_per_day=per_day,
        lead_time=question.lead_time,
        lead_time_spread=question.lead_time_spread,
        review_period=question.review_period,
        reorder_point=decision.reorder_point,
        order_quantity=decision.order_quantity,
        shelf_life=question.shelf_life,
    )
    outcome = play(room, rooms=ROOMS, cycles=cycles, seed=seed)
    return outcome, decision.levels.cycle_service_level, decision.levels.fill_rate


def main() -> None:
    """Print a line a case: got less reported of both levels in points, with standard errors; got less the target."""
    for name, cycles in CYCLES.items():
        within = points = sure = below = 0
        for number, (case, question, per_day) in enumerate(CASES):
            outcome, cycle_told, fill_told = _played(question, per_day, FIRST_SEED + number, cycles)
            told = ((outcome.cycle_service_level, cycle_told), (outcome.fill_rate, fill_told))
            off = [(got - wanted, error) for (got, error), wanted in told]
            got, error = told[0][0] if question.rule is Rule.CYCLE else told[1][0]
            points += sum(abs(one) < POINT for one, _ in off)
            sure += sum(abs(one) < 3.0 * two for one, two in off)
            within += sum(abs(one) < min(POINT, 3.0 * two) for one, two in off)
            below += got < question.target - 3.0 * error
            said = "  ".join(f"{100 * one:+.2f} ({100 * two:.2f})" for one, two in off)
            print(f"{name:>8}  {case:55}  {said}  target {100 * (got - question.target):+.2f}", flush=True)
        print(
            f"{name}: of {2 * len(CASES)} levels {points} within half a point, {sure} within 3 standard errors, "
            f"{within} within both; {below} of {len(CASES)} below target by more than 3 standard errors",
            flush=True,
        )


if __name__ == "__main__":
    main()
