"""Service levels against published base-stock and newsvendor values, brute force, and their laws."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from forecasting.arrays import FloatArray
from forecasting.errors import InfeasibleTarget, InvalidInput
from forecasting.service_levels import mixture, reorder_point_by_cycle, reorder_point_by_fill, service_levels
from tests.strategies import CI

QUICK = settings(CI, max_examples=200)
REFERENCE = Path(__file__).parents[1] / "reference" / "poisson_basestock.csv"
EVERYTHING = 100_000
"""An order this large is never used up, so what isn't filled is all that is short."""


def poisson_pmf(mean: float) -> FloatArray:
    return np.asarray(poisson.pmf(np.arange(int(mean + 12.0 * np.sqrt(mean) + 25)), mean))


def shortage(pmf: FloatArray, level: int) -> float:
    """E[(D - level)+], read off the fill rate."""
    return (1.0 - service_levels(pmf, reorder_point=level, order_quantity=EVERYTHING).fill_rate) * EVERYTHING


def base_stocks() -> list[dict[str, float]]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        return [{name: float(value) for name, value in row.items()} for row in csv.DictReader(file)]


@st.composite
def pmfs(draw: st.DrawFn) -> FloatArray:
    weights = np.array(draw(st.lists(st.integers(0, 20), min_size=1, max_size=12))) + 0.01
    return np.asarray(weights / weights.sum())


@pytest.mark.parametrize("row", base_stocks(), ids=lambda row: f"mean {row['mu']:g}, stock {row['S']:g}")
def test_poisson_base_stock(row: dict[str, float]) -> None:
    """One for one: base stock S is reorder point S - 1. Values computed by recursion and by a package."""
    pmf, base_stock = poisson_pmf(row["mu"]), int(row["S"])
    one_for_one = service_levels(pmf, reorder_point=base_stock - 1, order_quantity=1)
    assert one_for_one.fill_rate == pytest.approx(row["fill_rate_P(X<=S-1)"], abs=1e-12)
    ready = service_levels(pmf, reorder_point=base_stock, order_quantity=1).cycle_service_level
    assert ready == pytest.approx(row["ready_P(X<=S)"], abs=1e-12)
    assert shortage(pmf, base_stock) == pytest.approx(row["EBO"], abs=1e-9)
    assert shortage(pmf, base_stock) + base_stock - row["mu"] == pytest.approx(row["EOH"], abs=1e-9)


@pytest.mark.parametrize(
    ("mean", "holding", "penalty", "level"),
    [
        pytest.param(6.0, 1.0, 4.0, 8, id="Snyder & Shen example 4.7, seen through a package"),
        pytest.param(50.0, 0.18, 0.70, 56, id="stockpyl documentation, seen"),
    ],
)
def test_poisson_newsvendor(mean: float, holding: float, penalty: float, level: int) -> None:
    """The stock that balances holding and shortage is the cycle rule's at the critical ratio."""
    ratio = penalty / (holding + penalty)
    assert reorder_point_by_cycle(poisson_pmf(mean), cycle_service_level=ratio) == level


@pytest.mark.parametrize(("level", "cost"), [(8, 3.5701069458), (5, 6.5902960246)])
def test_poisson_newsvendor_cost(level: int, cost: float) -> None:
    """Snyder & Shen example 4.7, h 1, p 4, mean 6 (seen through a package): h (S - mean) + (h + p) E[(D - S)+]."""
    assert level - 6.0 + 5.0 * shortage(poisson_pmf(6.0), level) == pytest.approx(cost, abs=1e-9)


def test_poisson_loss_function() -> None:
    """Mean 4, stock 5: 0.4103041944 (stockpyl documentation, seen)."""
    assert shortage(poisson_pmf(4.0), 5) == pytest.approx(0.4103041944, abs=5e-10)


def test_stuttering_poisson_shortage() -> None:
    """Rate 2, geometric sizes of mean 1 / 0.7 (REFERENCE values computed by recursion): mean and shortage."""
    pmf = np.zeros(80)
    pmf[0] = np.exp(-2.0)
    sizes = 0.7 * 0.3 ** np.arange(80)  # P(size = k + 1)
    for n in range(1, 80):
        pmf[n] = sum(2.0 * k / n * sizes[k - 1] * pmf[n - k] for k in range(1, n + 1))
    assert shortage(pmf, 0) == pytest.approx(2.857143, abs=1e-6)
    assert [shortage(pmf, level) for level in (3, 5, 8)] == pytest.approx([0.831557, 0.295443, 0.050149], abs=1e-6)


def test_poisson_order_policy_costs_and_its_neighbours() -> None:
    """Snyder & Shen example 5.8, h 20, p 150, K 100, 1.5 a year, lead time 2: (r, Q) = (3, 5) at 107.9235806331."""
    pmf = poisson_pmf(3.0)

    def cost(reorder_point: int, quantity: int) -> float:
        levels = range(reorder_point + 1, reorder_point + quantity + 1)
        running = sum(20.0 * (level - 3.0) + 170.0 * shortage(pmf, level) for level in levels)
        return (100.0 * 1.5 + running) / quantity

    assert cost(3, 5) == pytest.approx(107.9235806331, abs=1e-7)
    assert min(cost(r, q) for r in range(1, 7) for q in range(2, 9)) == cost(3, 5)


@QUICK
@given(pmf=pmfs(), low=st.floats(0.01, 0.99), high=st.floats(0.01, 0.99), quantity=st.integers(1, 6))
def test_a_higher_target_never_needs_less(pmf: FloatArray, low: float, high: float, quantity: int) -> None:
    low, high = sorted((low, high))
    by_cycle = [reorder_point_by_cycle(pmf, cycle_service_level=target) for target in (low, high)]
    by_fill = [reorder_point_by_fill(pmf, fill_rate=target, order_quantity=quantity) for target in (low, high)]
    assert by_cycle == sorted(by_cycle)
    assert by_fill == sorted(by_fill)


@QUICK
@given(pmf=pmfs(), more=pmfs(), target=st.floats(0.01, 0.99), quantity=st.integers(1, 6))
def test_more_demand_never_needs_less(pmf: FloatArray, more: FloatArray, target: float, quantity: int) -> None:
    """Demand with other, independent demand added is larger in stochastic order."""
    both = np.convolve(pmf, more)
    assert reorder_point_by_cycle(both, cycle_service_level=target) >= reorder_point_by_cycle(
        pmf, cycle_service_level=target
    )
    assert reorder_point_by_fill(both, fill_rate=target, order_quantity=quantity) >= reorder_point_by_fill(
        pmf, fill_rate=target, order_quantity=quantity
    )


@QUICK
@given(pmf=pmfs(), target=st.floats(0.01, 0.99), quantity=st.integers(1, 6))
def test_the_level_is_the_lowest_that_meets_its_target(pmf: FloatArray, target: float, quantity: int) -> None:
    by_cycle = reorder_point_by_cycle(pmf, cycle_service_level=target)
    by_fill = reorder_point_by_fill(pmf, fill_rate=target, order_quantity=quantity)
    levels = [
        service_levels(pmf, reorder_point=level, order_quantity=quantity) for level in range(max(by_cycle, by_fill) + 1)
    ]
    cycles, fills = [one.cycle_service_level for one in levels], [one.fill_rate for one in levels]
    assert cycles[by_cycle] >= target - 1e-9
    assert max(cycles[:by_cycle], default=0.0) < target
    assert fills[by_fill] >= target - 1e-9
    assert max(fills[:by_fill], default=0.0) < target


@QUICK
@given(pmf=pmfs(), level=st.integers(-1, 15), quantity=st.integers(1, 9))
def test_service_levels_by_enumeration(pmf: FloatArray, level: int, quantity: int) -> None:
    """A demand is met from the shelf unless as many came before it as the position it finds: every position alike."""
    got = service_levels(pmf, reorder_point=level, order_quantity=quantity)
    unmet = [sum(p for n, p in enumerate(pmf) if n >= level + 1 + k) for k in range(quantity)]
    assert got.fill_rate == pytest.approx(1.0 - sum(unmet) / quantity, abs=1e-12)
    assert got.cycle_service_level == pytest.approx(sum(p for n, p in enumerate(pmf) if n <= level), abs=1e-12)
    assert 0.0 <= got.cycle_service_level <= 1.0
    assert 0.0 <= got.fill_rate <= 1.0


@QUICK
@given(first=pmfs(), second=pmfs(), share=st.floats(0.0, 1.0))
def test_a_mixture_mixes_probabilities(first: FloatArray, second: FloatArray, share: float) -> None:
    mixed = mixture([first, second], np.array([share, 1.0 - share]))
    assert mixed.sum() == pytest.approx(1.0)
    mean = share * (first @ np.arange(len(first))) + (1.0 - share) * (second @ np.arange(len(second)))
    assert mixed @ np.arange(len(mixed)) == pytest.approx(mean)


def test_a_target_beyond_the_distribution_is_infeasible() -> None:
    with pytest.raises(InfeasibleTarget, match=r"no level reaches a cycle service level of 0\.95"):
        reorder_point_by_cycle(np.array([0.5, 0.4]), cycle_service_level=0.95)


@pytest.mark.parametrize("target", [0.0, 1.0, -0.5, 1.5, np.nan])
def test_targets_that_can_not_be_are_refused(target: float) -> None:
    with pytest.raises(InvalidInput, match="`cycle_service_level` must be within"):
        reorder_point_by_cycle(np.array([1.0]), cycle_service_level=target)
    with pytest.raises(InvalidInput, match="`fill_rate` must be within"):
        reorder_point_by_fill(np.array([1.0]), fill_rate=target, order_quantity=1)


@pytest.mark.parametrize("quantity", [0, -1])
def test_an_order_of_nothing_is_refused(quantity: int) -> None:
    with pytest.raises(InvalidInput, match="`order_quantity` must be positive"):
        service_levels(np.array([1.0]), reorder_point=0, order_quantity=quantity)
    with pytest.raises(InvalidInput, match="`order_quantity` must be positive"):
        reorder_point_by_fill(np.array([1.0]), fill_rate=0.9, order_quantity=quantity)


def test_a_reorder_point_below_one_waiting_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`reorder_point` at least -1"):
        service_levels(np.array([1.0]), reorder_point=-2, order_quantity=1)
