"""What decisions promise, played in 300 simulated storerooms at a time: 20,000 replenishment cycles and more a case."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from forecasting.lead_times import CoverTimes, cover_times
from forecasting.stock_positions import OpenOrder
from forecasting.stocking import Rule, StockDecision, StockQuestion, decide
from tests.forecasting.stocked_plant import Outcome, Room, play
from tests.forecasting.test_stocking import PLAIN, steady

ROOMS, CYCLES = 300, 70
POINT = 0.005
TARGETS = (0.85, 0.9, 0.95, 0.99)
PLANTS = {
    "monthly review, one for one": (replace(PLAIN, lead_time=45.0, lead_time_spread=10.0, review_period=30.0), 0.08),
    "fortnightly review, packs of 4": (replace(PLAIN, pack=4, min_order=6), 0.1),
    "packs of 3, expire in nine months": (replace(PLAIN, pack=3, min_order=6, shelf_life=270.0), 0.1),
    "slow, packs of 4, expire in a year": (replace(PLAIN, pack=4, review_period=7.0, shelf_life=365.0), 0.03),
}
CASES = [
    pytest.param(replace(question, rule=rule, target=target), per_day, number, id=f"{name}, {rule} {target:g}")
    for number, (name, question, per_day, rule, target) in enumerate(
        (name, question, per_day, rule, target)
        for name, (question, per_day) in PLANTS.items()
        for rule in (Rule.CYCLE, Rule.FILL)
        for target in TARGETS
    )
]
"""The number of a case is its seed."""
ONE_FOR_ONE = replace(PLANTS["monthly review, one for one"][0], target=0.9)


def played(question: StockQuestion, decision: StockDecision, per_day: float, *, seed: int) -> Outcome:
    room = Room(
        demand_per_day=per_day,
        lead_time=question.lead_time,
        lead_time_spread=question.lead_time_spread,
        review_period=question.review_period,
        reorder_point=decision.reorder_point,
        order_quantity=decision.order_quantity,
        shelf_life=question.shelf_life,
    )
    return play(room, rooms=ROOMS, cycles=CYCLES, seed=seed)


def holds_what_it_promises(question: StockQuestion, per_day: float, seed: int) -> None:
    """Reported levels are those got: within half a point and 3 standard errors, and the target is met.

    Orders of 6 may do better by more than 3 standard errors where lead times spread: they follow each other most
    closely when much is needed, and then the second may arrive first.
    """
    decision = decide(question, steady(per_day))
    outcome = played(question, decision, per_day, seed=seed)
    assert outcome.cycles.sum() >= 20_000
    for (got, error), told in (
        (outcome.cycle_service_level, decision.levels.cycle_service_level),
        (outcome.fill_rate, decision.levels.fill_rate),
    ):
        assert abs(got - told) < POINT, "not what was reported"
        assert got > told - 3.0 * error, "less than was reported"
        overtaking = question.pack == 3 and question.lead_time_spread > 0.0
        assert got < told + 3.0 * error or overtaking, "more than was reported"
    got, error = outcome.cycle_service_level if question.rule is Rule.CYCLE else outcome.fill_rate
    assert got > question.target - 3.0 * error, "below its target"


@pytest.mark.parametrize(("question", "per_day", "seed"), CASES)
def test_storerooms_get_what_is_reported(question: StockQuestion, per_day: float, seed: int) -> None:
    """What remains approximate: orders that overtake each other shorten the cover, to the safe side."""
    holds_what_it_promises(question, per_day, seed)


@pytest.mark.parametrize("target", [0.9, 0.99])
def test_kits_that_expire_get_what_is_reported_where_no_order_overtakes(target: float) -> None:
    question = PLANTS["packs of 3, expire in nine months"][0]
    holds_what_it_promises(replace(question, lead_time_spread=0.0, target=target), 0.1, 50)


def test_orders_that_overtake_each_other_get_more_than_is_reported() -> None:
    """Monthly orders with a spread of 20 days: one in seven overtakes the one before, and levels are a point better."""
    question = replace(ONE_FOR_ONE, lead_time_spread=20.0, target=0.95)
    decision = decide(question, steady(0.08))
    got, error = played(question, decision, 0.08, seed=0).cycle_service_level
    told = decision.levels.cycle_service_level
    assert told - 3.0 * error < got < told + 0.015


def lead_time_only(*, lead_time: float, lead_time_spread: float, review_period: float) -> CoverTimes:
    """Wrong on purpose: nobody waits for the review."""
    return cover_times(lead_time=lead_time, lead_time_spread=lead_time_spread, review_period=0.0 * review_period)


def uniform_wait(cover: CoverTimes, **_: float) -> CoverTimes:
    """Wrong on purpose: the wait for the review is uniform however small orders are."""
    return cover


def mean_only(*, lead_time: float, lead_time_spread: float, review_period: float) -> CoverTimes:
    """Wrong on purpose: lead times don't spread."""
    return cover_times(lead_time=lead_time, lead_time_spread=0.0 * lead_time_spread, review_period=review_period)


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        (lead_time_only, "forecasting.stock_questions.cover_times"),
        (mean_only, "forecasting.stock_questions.cover_times"),
        (uniform_wait, "forecasting.stocking.cover_times_when_reached"),
    ],
)
def test_the_simulation_notices_a_wrong_cover(wrong: object, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place, wrong)
    with pytest.raises(AssertionError, match="what was reported|than was reported|below its target"):
        holds_what_it_promises(ONE_FOR_ONE, 0.08, 0)


def test_a_storeroom_that_counts_what_will_expire_is_short(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mutant, in the play: kits that expire before use count as stock, so nobody orders in time."""
    question = replace(PLANTS["slow, packs of 4, expire in a year"][0], shelf_life=200.0, target=0.95)
    decision = decide(question, steady(0.03))
    honest, error = played(question, decision, 0.03, seed=1).cycle_service_level
    monkeypatch.setattr("tests.forecasting.stocked_plant._will_expire", lambda _room, _state, who, _now: 0 * who)
    blind, _ = played(question, decision, 0.03, seed=1).cycle_service_level
    assert honest > 0.95 - 3.0 * error
    assert blind < honest - 6.0 * error - 0.01


YEAR, LEAD_TIME = 365, 40


@cache
def demand_of_a_day(per_day: float, seed: int) -> tuple[int, ...]:
    return tuple(np.random.default_rng(seed).poisson(per_day, YEAR).tolist())


def year_of_nights(question: StockQuestion, per_day: float, seed: int) -> list[int]:
    """Decide every night, order what is proposed, receive two of three orders late; the position after each order.

    Orders are due after the lead time; every third comes then, the others 25 or 60 days late.
    """
    stock, waiting, coming, positions = 8, 0, list[tuple[int, int, int]](), list[int]()
    for day, wanted in enumerate(demand_of_a_day(per_day, seed)):
        stock += sum(qty for arrives, _, qty in coming if arrives <= day) - waiting
        coming = [order for order in coming if order[0] > day]
        stock, waiting = stock - wanted, 0
        stock, waiting = max(stock, 0), max(-stock, 0)
        orders = tuple(OpenOrder(due=float(due - day), qty=qty) for _, due, qty in coming)
        decision = decide(replace(question, on_hand=stock, unfilled=waiting, orders=orders), steady(per_day))
        if decision.proposed:
            late = (0, 25, 60)[len(positions) % 3]
            coming.append((day + LEAD_TIME + late, day + LEAD_TIME, decision.proposed))
            positions.append(stock - waiting + sum(qty for *_, qty in coming))
            assert positions[-1] <= decision.reorder_point + decision.order_quantity, "ordered twice"
            assert positions[-1] - decision.proposed <= decision.reorder_point, "ordered twice"
    return positions


NIGHTLY = replace(PLAIN, lead_time=float(LEAD_TIME), lead_time_spread=10.0, review_period=1.0, min_order=4)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_year_of_nightly_decisions_with_late_deliveries_orders_nothing_twice(seed: int) -> None:
    """The position, everything on its way counted, never passes what one usual order lifts it to."""
    assert len(year_of_nights(NIGHTLY, 0.1, seed)) > 4


def test_orders_forgotten_once_they_are_overdue_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mutant: only orders that aren't overdue count."""
    honest = decide

    def forgetful(question: StockQuestion, over: object) -> StockDecision:
        kept = tuple(order for order in question.orders if order.due >= 0)
        return honest(replace(question, orders=kept), over)  # type: ignore[arg-type]

    monkeypatch.setitem(year_of_nights.__globals__, "decide", forgetful)
    with pytest.raises(AssertionError, match="ordered twice"):
        year_of_nights(NIGHTLY, 0.1, 1)
