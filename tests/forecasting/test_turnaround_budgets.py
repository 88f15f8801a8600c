"""Budget lines and kits of a turnaround beside enumeration by hand and simulation that shares no code."""

import numpy as np
import pytest

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.rebuild_work import ItemWork
from forecasting.turnaround_budgets import (
    EXTRA_LINES,
    Exposure,
    cost_factors,
    extra_costs,
    kits_wanted,
    outcomes_of,
    quantile,
)

POINTS = 16
TRIM = ItemWork(
    item="trim", kit="T", qty=1, kit_cost=2400.0, renews=frozenset({"trim", "packing"}), work_cost=700.0,
    hours=8.0, opening_cost=300.0, opening_hours=4.0,
)  # fmt: skip
PACKING = ItemWork(
    item="packing", kit="P", qty=2, kit_cost=45.0, renews=frozenset({"packing"}), work_cost=210.0, hours=2.0,
    opening_cost=100.0, opening_hours=1.0,
)  # fmt: skip
GASKET = ItemWork(item="gasket", kit="G", qty=1, kit_cost=12.0, renews=frozenset({"gasket"}), on_opening=True)
NEEDS = (TRIM, PACKING, GASKET)


def cost_by_hand(items: frozenset[str]) -> float:
    """Cost of renewing these, written down case by case."""
    if not items:
        return 0.0
    if "trim" in items:
        return 2400.0 + 700.0 + 300.0 + 12.0
    return 2 * 45.0 + 210.0 + 100.0 + 12.0


def plant(seed: int, valves: int) -> list[Exposure]:
    """Valves whose chances share their points."""
    rng = np.random.default_rng(seed)
    early, late, found = rng.beta(2.0, 18.0, POINTS), rng.beta(2.0, 12.0, POINTS), rng.beta(2.0, 6.0, POINTS)
    made = []
    for number in range(valves):
        waits = number % 3 != 0
        made.append(
            Exposure(
                tag=f"FV-{number}",
                needs=NEEDS,
                opened_for=frozenset({"packing"}) if number % 2 else frozenset(),
                until_freeze={"trim": early, "packing": early / 2.0} if waits else {},
                after_freeze={"trim": late, "packing": late / 3.0} if waits else {},
                found={"trim": found, "packing": found / 4.0},
            )
        )
    return made


def played(exposures: list[Exposure], *, times: int, seed: int) -> dict[str, FloatArray]:
    """Play the turnaround many times: what happens to each item is drawn, costs come from the table by hand."""
    rng = np.random.default_rng(seed)
    point = rng.integers(0, POINTS, size=times)
    sums = {line: np.zeros(times) for line in (*EXTRA_LINES, "total")}
    table = {sets: cost_by_hand(frozenset(sets)) for sets in ((), ("trim",), ("packing",), ("packing", "trim"))}
    for one in exposures:
        stages = np.zeros((4, 2, times), dtype=bool)  # stage, item, play
        luck = rng.random((2, times))
        finds = rng.random((2, times))
        for place, item in enumerate(("packing", "trim")):
            early = one.until_freeze.get(item, np.zeros(POINTS))[point]
            late = one.after_freeze.get(item, np.zeros(POINTS))[point]
            stages[0, place] = item in one.opened_for
            stages[1, place] = stages[0, place] | (luck[place] < early)
            stages[2, place] = stages[0, place] | (luck[place] < early + late)
        is_open = stages[2].any(axis=0)
        covered = np.stack([stages[2, 0] | stages[2, 1], stages[2, 1]])
        for place, item in enumerate(("packing", "trim")):
            stages[3, place] = stages[2, place] | (is_open & ~covered[place] & (finds[place] < one.found[item][point]))
        costs = [
            np.select(
                [stage[0] & stage[1], stage[0], stage[1]],
                [table["packing", "trim"], table["packing",], table["trim",]],
                0.0,
            )
            for stage in stages
        ]
        for line, (since, to) in zip((*EXTRA_LINES, "total"), ((0, 1), (1, 2), (2, 3), (0, 3)), strict=True):
            sums[line] += costs[to] - costs[since]
    return sums


@pytest.mark.parametrize("seed", [0, 1])
def test_quantiles_of_every_line_and_of_the_total_agree_with_simulation(seed: int) -> None:
    exposures = plant(seed, 30)
    found = extra_costs([outcomes_of(one, points=POINTS) for one in exposures])
    sums, times = played(exposures, times=40_000, seed=100 + seed), 40_000
    for line, sample in sums.items():
        assert found[line].mean == pytest.approx(sample.mean(), abs=4.0 * sample.std() / np.sqrt(times))
        for share in (0.5, 0.8, 0.9):
            # four standard errors of a share; each of the ten or so amounts of a sum is shared out over two points of
            # the grid, a standard deviation of at most half a step, so that an atom is spread by five steps at most
            slack = 4.0 * np.sqrt(share * (1.0 - share) / times)
            low, high = np.quantile(sample, [share - slack, share + slack])
            assert low - 5.0 * found[line].step <= found[line].quantile(share) <= high + 5.0 * found[line].step


def test_the_eighty_percent_points_of_lines_do_not_sum_to_that_of_the_total() -> None:
    found = extra_costs([outcomes_of(one, points=POINTS) for one in plant(0, 30)])
    summed = sum(found[line].quantile(0.8) for line in EXTRA_LINES)
    assert found["total"].quantile(0.8) < 0.95 * summed
    assert found["total"].mean == pytest.approx(sum(found[line].mean for line in EXTRA_LINES), rel=1e-9)


def test_one_valve_by_hand() -> None:
    half = np.array([0.5])
    one = Exposure(
        tag="V", needs=NEEDS, opened_for=frozenset({"packing"}), after_freeze={"trim": half / 2.0}, found={"trim": half}
    )
    outcomes = outcomes_of(one, points=1)
    assert sorted(outcomes.chances[0]) == [0.25, 0.375, 0.375]
    found, more = extra_costs([outcomes]), cost_by_hand(frozenset({"trim"})) - cost_by_hand(frozenset({"packing"}))
    assert found["emergent"].mean == pytest.approx(0.25 * more)
    assert found["discovery"].mean == pytest.approx(0.375 * more)
    assert found["until_freeze"].mean == 0.0
    kits = kits_wanted([outcomes])
    assert kits["T"].chances == pytest.approx([0.375, 0.625])
    assert kits["P"].chances == pytest.approx([0.625, 0.0, 0.375])
    assert kits["G"].chances == pytest.approx([0.0, 1.0])


def test_what_is_planned_is_neither_found_nor_waited_for() -> None:
    one = Exposure(tag="V", needs=NEEDS, opened_for=frozenset({"trim"}), found={"packing": np.array([0.9])})
    assert extra_costs([outcomes_of(one, points=1)])["total"].mean == 0.0


def test_a_shut_valve_finds_nothing() -> None:
    one = Exposure(tag="V", needs=NEEDS, opened_for=frozenset(), found={"trim": np.array([0.9])})
    assert outcomes_of(one, points=1).chances.tolist() == [[1.0]]


def test_the_factor_widens_and_keeps_the_mean() -> None:
    extra = extra_costs([outcomes_of(one, points=POINTS) for one in plant(0, 30)])["total"]
    factors = cost_factors(0.15)
    assert factors.mean() == pytest.approx(1.0)
    sure = [quantile(extra, base=5e4, factors=np.ones(1), probability=share) for share in (0.1, 0.9)]
    unsure = [quantile(extra, base=5e4, factors=factors, probability=share) for share in (0.1, 0.9)]
    assert unsure[0] < sure[0] < sure[1] < unsure[1]
    rng = np.random.default_rng(3)
    size = 200_000
    amounts = extra.step * rng.choice(len(extra.chances), size=size, p=extra.chances)
    sample = rng.choice(factors, size=size) * (5e4 + amounts)
    # four standard errors of a share
    low, high = np.quantile(sample, [0.9 - 4 * np.sqrt(0.09 / size), 0.9 + 4 * np.sqrt(0.09 / size)])
    assert low - 2 * extra.step <= unsure[1] <= high + 2 * extra.step


def test_probabilities_and_spreads_are_checked() -> None:
    extra = extra_costs([])["total"]
    with pytest.raises(InvalidInput, match="must lie in"):
        quantile(extra, base=1.0, factors=np.ones(1), probability=1.0)
    with pytest.raises(InvalidInput, match="must not be negative"):
        cost_factors(-0.1)
