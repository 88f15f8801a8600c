"""The stock frontier against a worked sequence, tables, brute force and the rule of one target for all."""

import csv
from bisect import bisect_left
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.stats import nbinom, poisson

from forecasting.arrays import FloatArray, IntArray
from forecasting.errors import InvalidInput
from forecasting.frontier import Frontier, StockedKit, expected_backorders, frontier
from tests.strategies import CI

REFERENCE = Path(__file__).parents[1] / "reference"
LONG = np.arange(80)


def table(name: str) -> list[dict[str, str]]:
    """Rows of a reference file."""
    with (REFERENCE / name).open(newline="") as lines:
        return list(csv.DictReader(lines))


def test_two_items_are_bought_in_the_worked_order() -> None:
    """Pipelines 1 and 4, costs 5 and 1: order from memory of Sherbrooke's style, shortage computed."""
    kits = [StockedKit(demand=poisson.pmf(LONG, mean), unit_cost=cost) for mean, cost in ((1, 5.0), (4, 1.0))]
    made, rows = frontier(kits), table("marginal_analysis_two_items.csv")
    assert (made.kit[: len(rows)] + 1).tolist() == [int(row["item_added"]) for row in rows]
    assert made.cost[1 : len(rows) + 1].tolist() == [float(row["cost"]) for row in rows]
    assert made.shortage[1 : len(rows) + 1] == pytest.approx([float(row["total_EBO"]) for row in rows], abs=1e-6)


def test_backorders_of_poisson_demand() -> None:
    """Poisson mean 4: recursion, direct sum and stockpyl 1.0.2 agree."""
    expected = [4, 3.018316, 2.109894, 1.347997, 0.781467, 0.410304]
    assert expected_backorders(poisson.pmf(LONG, 4))[:6] == pytest.approx(expected, abs=1e-6)


def test_backorders_of_a_stuttering_poisson_demand() -> None:
    """Rate 2, geometric sizes of mean 1 / 0.7: 0.831557, 0.295443, 0.050149 short at 3, 5 and 8 (computed)."""
    sizes = 0.7 * 0.3 ** np.arange(120)
    transform = np.exp(2.0 * (np.fft.rfft(np.concatenate(([0.0], sizes)), 256) - 1.0))
    demand = np.clip(np.fft.irfft(transform, 256), 0, None)
    short = expected_backorders(demand / demand.sum())
    assert short[[3, 5, 8]] == pytest.approx([0.831557, 0.295443, 0.050149], abs=1e-6)


KITS = st.lists(
    st.builds(
        lambda mean, cost, weight, pack, floor: StockedKit(
            demand=poisson.pmf(np.arange(30), mean), unit_cost=cost, weight=weight, pack=pack, floor=floor
        ),
        st.floats(0.1, 3.0),
        st.floats(1.0, 50.0),
        st.floats(0.5, 5.0),
        st.integers(1, 3),
        st.integers(0, 2),
    ),
    min_size=1,
    max_size=3,
)


@settings(CI, max_examples=30)
@given(kits=KITS)
def test_no_other_stock_is_as_cheap_with_less_shortage(kits: list[StockedKit]) -> None:
    """Every combination of up to four packs above the floors, one by one."""
    made = frontier(kits)
    short = [one.weight * expected_backorders(one.demand) for one in kits]
    for packs in product(range(5), repeat=len(kits)):
        levels = [one.floor + one.pack * count for one, count in zip(kits, packs, strict=True)]
        cost = sum(level * one.unit_cost for level, one in zip(levels, kits, strict=True))
        shortage = sum(float(row[level]) for row, level in zip(short, levels, strict=True))
        dearer = made.cost > cost * (1 + 1e-9)
        after = int(dearer.argmax()) if dearer.any() else len(made.cost) - 1
        before = max(after - 1, 0) if dearer.any() else after
        share = (cost - made.cost[before]) / max(made.cost[after] - made.cost[before], 1e-300)
        line = made.shortage[before] + min(share, 1.0) * (made.shortage[after] - made.shortage[before])
        assert shortage >= line - 1e-7


@CI
@given(kits=KITS)
def test_each_step_takes_off_less_per_money_than_the_one_before(kits: list[StockedKit]) -> None:
    made = frontier(kits)
    slope = np.diff(made.shortage) / np.diff(made.cost)
    assert (np.diff(slope) >= -1e-9).all()


def test_levels_add_up_to_cost_and_shortage() -> None:
    kits = [StockedKit(demand=poisson.pmf(LONG, m), unit_cost=c, pack=p, floor=1) for m, c, p in ((1, 5, 2), (4, 1, 3))]
    made = frontier(kits)
    for step in (0, 1, 5):
        levels = made.levels(step)
        assert made.cost[step] == pytest.approx(sum(n * one.unit_cost for n, one in zip(levels, kits, strict=True)))
        short = sum(expected_backorders(one.demand)[n] for n, one in zip(levels, kits, strict=True))
        assert made.shortage[step] == pytest.approx(short, abs=1e-9)


def test_a_budget_and_a_wanted_shortage_pick_a_step() -> None:
    made = frontier([StockedKit(demand=np.array([0.5, 0.25, 0.25]), unit_cost=10.0)])
    assert [made.step_within(budget) for budget in (-1.0, 9.99, 10.0, 500.0)] == [0, 0, 1, 2]
    assert [made.step_reaching(short) for short in (1.0, 0.25, 0.1, -1.0)] == [0, 1, 2, None]


def sixty_kits() -> list[StockedKit]:
    """Sixty invented kits with skewed prices, committed as a table."""
    return [
        StockedKit(
            demand=nbinom.pmf(np.arange(200), float(row["dispersion"]), _chance(row)), unit_cost=float(row["unit_cost"])
        )
        for row in table("sixty_kits_invented.csv")
    ]


def _chance(row: dict[str, str]) -> float:
    """Second parameter of the negative binomial with this mean."""
    return float(row["dispersion"]) / (float(row["dispersion"]) + float(row["mean_demand"]))


def _fill(kits: list[StockedKit], levels: IntArray) -> float:
    """Share of all demand met from the shelf when demand meets full stock: 1 - shortage / demand."""
    short = sum(expected_backorders(one.demand)[level] for one, level in zip(kits, levels, strict=True))
    return float(1.0 - short / sum(expected_backorders(one.demand)[0] for one in kits))


def _equal_target(kits: list[StockedKit], target: float) -> IntArray:
    """Lowest level of each kit whose chance of no stock-out meets one target."""
    return np.array([int(np.searchsorted(np.cumsum(one.demand), target - 1e-12)) for one in kits])


def _reaching(kits: list[StockedKit], made: Frontier, fill: float) -> float:
    """Cost at which the frontier reaches this fill."""
    total = sum(expected_backorders(one.demand)[0] for one in kits)
    step = made.step_reaching(float((1.0 - fill) * total) + 1e-12)
    assert step is not None
    return float(made.cost[step])


def _least_cost(kits: list[StockedKit], fill: float) -> float:
    """Cost of the cheapest whole stock with this fill: an integer programme, to a part in ten thousand."""
    short = [expected_backorders(one.demand) for one in kits]
    gains = np.concatenate([-np.diff(one) for one in short])
    prices = np.repeat([one.unit_cost for one in kits], [len(one) - 1 for one in short])
    used, wanted = gains > 1e-9, fill * sum(one[0] for one in short)
    made = milp(
        prices[used],
        integrality=np.ones(int(used.sum()), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(gains[used][None, :], wanted, np.inf),
        options={"mip_rel_gap": 1e-4},
    )
    assert made.status == 0
    return float(made.mip_dual_bound)


@pytest.mark.parametrize(("fill", "saved"), [(0.9, 0.19), (0.95, 0.14), (0.98, 0.105)])
def test_less_money_than_one_target_for_all_at_equal_fill(fill: float, saved: float) -> None:
    """A committed set of sixty kits, the first drawn; the rule takes the lowest target that reaches the fill."""
    kits = sixty_kits()
    money: FloatArray = np.array([one.unit_cost for one in kits])
    targets = np.unique(np.concatenate([np.cumsum(one.demand) for one in kits]))
    lowest = bisect_left(targets, fill, key=lambda target: _fill(kits, _equal_target(kits, target)))
    levels = _equal_target(kits, float(targets[lowest]))
    assert _reaching(kits, frontier(kits), _fill(kits, levels)) <= (1.0 - saved) * float(levels @ money)


@pytest.mark.parametrize(("target", "saved"), [(0.9, 0.157), (0.95, 0.109), (0.98, 0.085)])
def test_no_stock_whatever_saves_much_more_than_the_frontier(target: float, saved: float) -> None:
    """Targets of 90, 95 and 98 % reach fills of 93.6, 97.2 and 98.9 %; at the last no stock saves 10 %."""
    kits = sixty_kits()
    levels = _equal_target(kits, target)
    fill, spent = _fill(kits, levels), float(levels @ np.array([one.unit_cost for one in kits]))
    ours, least = _reaching(kits, frontier(kits), fill), _least_cost(kits, fill)
    assert least <= ours <= min(1.01 * least, (1.0 - saved) * spent)
    assert (1.0 - least / spent < 0.1) == (target == 0.98)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"unit_cost": 0.0}, "above 0"),
        ({"weight": -1.0}, "not be negative"),
        ({"pack": 0}, "at least 1"),
        ({"demand": np.array([0.5])}, "sum to 1"),
    ],
)
def test_what_can_not_be_is_refused(changes: dict[str, float], words: str) -> None:
    with pytest.raises(InvalidInput, match=words):
        StockedKit(**{"demand": np.ones(1), "unit_cost": 1.0, **changes})  # type: ignore[arg-type]


def test_a_frontier_needs_a_kit() -> None:
    with pytest.raises(InvalidInput, match="at least one"):
        frontier([])
