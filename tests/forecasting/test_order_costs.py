"""What policies cost: published values, enumeration of every pair, thousands of kits at once, their laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from forecasting.arrays import FloatArray
from forecasting.errors import InfeasibleTarget, InvalidInput
from forecasting.min_max import least_cost_min_max, renewal_mass
from forecasting.order_costs import StockCosts, cost_rate, least_cost_policy, level_costs
from forecasting.policy_tables import base_stock_levels, least_cost_policies
from forecasting.service_levels import reorder_point_by_cycle
from tests.strategies import CI

QUICK = settings(CI, max_examples=80)
RNG = np.random.default_rng(7)


def poisson_pmf(mean: float) -> FloatArray:
    return np.asarray(poisson.pmf(np.arange(int(mean + 12.0 * np.sqrt(mean) + 25)), mean))


@st.composite
def pmfs(draw: st.DrawFn) -> FloatArray:
    weights = np.array(draw(st.lists(st.integers(0, 20), min_size=1, max_size=12))) + 0.01
    return np.asarray(weights / weights.sum())


def slow_cost(pmf: FloatArray, level: int, quantity: int, costs: StockCosts, yearly: float) -> float:
    """Every position after an order alike, every demand: what it costs, term by term."""
    total = costs.order * yearly
    for position in range(level + 1, level + quantity + 1):
        for demand, chance in enumerate(pmf.tolist()):
            total += chance * costs.holding * max(position - demand, 0)
            total += chance * costs.waiting * max(demand - position, 0)
            total += chance * costs.shortage * yearly * (demand >= position)
    return total / quantity


@QUICK
@given(
    pmf=pmfs(),
    level=st.integers(-4, 12),
    quantity=st.integers(1, 9),
    waiting=st.floats(0.1, 50.0),
    shortage=st.floats(0.0, 50.0),
)
def test_cost_by_enumeration(pmf: FloatArray, level: int, quantity: int, waiting: float, shortage: float) -> None:
    costs = StockCosts(order=12.0, holding=3.0, waiting=waiting, shortage=shortage)
    got = cost_rate(pmf, reorder_point=level, order_quantity=quantity, costs=costs, yearly=2.5)
    assert got == pytest.approx(slow_cost(pmf, level, quantity, costs, 2.5), rel=1e-12)


@QUICK
@given(
    pmf=pmfs(),
    order=st.floats(0.0, 60.0),
    waiting=st.floats(0.0, 50.0),
    shortage=st.floats(0.1, 50.0),
    pack=st.integers(1, 3),
    least=st.integers(1, 5),
    lowest=st.integers(-3, 4),
)
def test_no_other_pair_is_cheaper(
    pmf: FloatArray, order: float, waiting: float, shortage: float, pack: int, least: int, lowest: int
) -> None:
    """Costs a kit short make the cost of levels rise and fall more than once; still the best pair is found."""
    costs, most = StockCosts(order=order, holding=3.0, waiting=waiting, shortage=shortage), 18
    made = least_cost_policy(pmf, costs=costs, yearly=2.5, most=most, lowest=lowest, pack=pack, least=least)
    first = -(-least // pack) * pack
    every = {
        (level, quantity): cost_rate(pmf, reorder_point=level, order_quantity=quantity, costs=costs, yearly=2.5)
        for level in range(lowest, 16)
        for quantity in range(first, max(first, most // pack * pack) + 1, pack)
    }
    assert made.cost == pytest.approx(min(every.values()), rel=1e-10)
    assert made.cost == pytest.approx(every[made.reorder_point, made.order_quantity], rel=1e-12)


def test_the_published_policy() -> None:
    """Snyder & Shen example 5.8 through a package: (3, 5) at 107.9235806331."""
    costs = StockCosts(order=100.0, holding=20.0, waiting=150.0)
    made = least_cost_policy(poisson_pmf(3.0), costs=costs, yearly=1.5, most=100)
    assert (made.reorder_point, made.order_quantity) == (3, 5)
    assert made.cost == pytest.approx(107.9235806331, abs=5e-11)


def tables(kits: int, *, width: int = 90) -> dict[str, FloatArray]:
    """Invented kits: half Poisson, half negative binomial, prices and demands skewed."""
    mean = np.exp(RNG.normal(0.5, 1.0, kits)).clip(0.02, 20.0)[:, None]
    counts = np.arange(width)
    pmf = np.where(
        np.arange(kits)[:, None] % 2 == 0, poisson.pmf(counts, mean), nbinom.pmf(counts, 2.0, 2.0 / (2.0 + mean))
    )
    holding = np.exp(RNG.normal(4.0, 1.0, kits))
    return {
        "table": pmf / pmf.sum(axis=1, keepdims=True),
        "order": RNG.uniform(5.0, 300.0, kits),
        "holding": holding,
        "waiting": holding * RNG.uniform(0.5, 60.0, kits),
        "yearly": mean[:, 0] * RNG.uniform(0.5, 6.0, kits),
    }


def test_thousands_at_once_are_what_each_is_alone() -> None:
    """Also where waiting is cheap, so that the reorder point lies below 0, and where an order lasts for years."""
    kits = tables(300)
    kits["waiting"][:40] = 0.05 * kits["holding"][:40]
    kits["order"][40:60] = 50_000.0
    made = least_cost_policies(**kits)
    for row in range(300):
        costs = StockCosts(**{name: float(kits[name][row]) for name in ("order", "holding", "waiting")})
        alone = least_cost_policy(
            kits["table"][row], costs=costs, yearly=float(kits["yearly"][row]), most=3_000, lowest=-3_000
        )
        assert made.cost[row] == pytest.approx(alone.cost, rel=1e-9)
        assert (made.reorder_point[row], made.order_quantity[row]) == (alone.reorder_point, alone.order_quantity)
    assert made.reorder_point.min() < -1
    assert made.order_quantity.max() > 90


def test_base_stocks_at_once_are_those_of_the_cycle_rule() -> None:
    table = tables(300)["table"]
    targets = RNG.uniform(0.5, 0.995, 300)
    levels = base_stock_levels(table, targets=targets)
    alone = [
        reorder_point_by_cycle(row, cycle_service_level=float(target))
        for row, target in zip(table, targets, strict=True)
    ]
    assert levels.tolist() == alone


def test_a_table_that_ends_too_early_and_targets_that_can_not_be_are_refused() -> None:
    table = np.array([[0.9, 0.1], [0.5, 0.4]])
    with pytest.raises(InfeasibleTarget, match=r"no level of row 1 reaches a cycle service level of 0\.95"):
        base_stock_levels(table, targets=np.array([0.95, 0.95]))
    with pytest.raises(InvalidInput, match=r"targets must be within \(0, 1\), got \[1\.0\]"):
        base_stock_levels(table, targets=np.array([0.5, 1.0]))
    one = np.ones(1)
    with pytest.raises(InvalidInput, match="costs and demand must be positive"):
        least_cost_policies(table[:1], order=one, holding=one, waiting=0.0 * one, yearly=one)


@QUICK
@given(pmf=pmfs(), low=st.floats(0.5, 60.0), high=st.floats(0.5, 60.0))
def test_dearer_shortage_never_lowers_the_cost(pmf: FloatArray, low: float, high: float) -> None:
    made = [
        least_cost_policy(pmf, costs=StockCosts(order=9.0, holding=3.0, waiting=waiting), yearly=2.5, most=60)
        for waiting in sorted((low, high))
    ]
    assert made[0].cost <= made[1].cost + 1e-9


def test_levels_far_away_cost_what_they_hold_or_lack() -> None:
    costs = StockCosts(order=0.0, holding=2.0, waiting=5.0)
    got = level_costs(poisson_pmf(3.0), levels=np.array([-10, 1000]), costs=costs, yearly=1.0)
    assert got == pytest.approx([65.0, 1994.0])


@pytest.mark.parametrize(
    "wrong", [{"holding": 0.0}, {"waiting": 0.0}, {"order": -1.0}, {"waiting": np.nan}, {"shortage": np.inf}], ids=str
)
def test_costs_that_decide_nothing_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InvalidInput, match="`holding` and one of `waiting`, `shortage` must be positive"):
        StockCosts(**({"order": 1.0, "holding": 1.0, "waiting": 1.0} | wrong))


def test_orders_of_nothing_are_refused() -> None:
    costs = StockCosts(order=1.0, holding=1.0, waiting=1.0)
    with pytest.raises(InvalidInput, match="`order_quantity` must be positive"):
        cost_rate(np.ones(1), reorder_point=0, order_quantity=0, costs=costs, yearly=1.0)
    with pytest.raises(InvalidInput, match="`pack`, `least`, `most` must be positive"):
        least_cost_policy(np.ones(1), costs=costs, yearly=1.0, most=5, pack=0)


def test_minimum_and_maximum_against_a_play_of_periods() -> None:
    """Negative binomial demand, (2, 7), 400,000 periods: cost a period within three standard errors."""
    pmf = np.asarray(nbinom.pmf(np.arange(80), 1.5, 0.4))
    costs, levels = StockCosts(order=6.0, holding=1.0, waiting=9.0), np.arange(-20, 60)
    level_cost = level_costs(pmf, levels=levels, costs=costs, yearly=1.0)
    mass = renewal_mass(pmf, size=5)
    told = (6.0 + float(mass @ level_cost[27:22:-1])) / float(mass.sum())
    rng, spent, position = np.random.default_rng(5), np.zeros(400), 7
    for batch in range(400):
        for demand in rng.negative_binomial(1.5, 0.4, 1_000).tolist():
            position, ordered = (7, 6.0) if position <= 2 else (position, 0.0)
            left = position - demand
            spent[batch] += ordered + max(left, 0) + 9.0 * max(-left, 0)
            position = left
    error = spent.std(ddof=1) / 1_000 / np.sqrt(400)
    assert spent.mean() / 1_000 == pytest.approx(told, abs=3.0 * float(error))
    best = least_cost_min_max(pmf, level_cost=level_cost, lowest=-20, order_cost=6.0)
    assert best.cost <= told
    assert best.minimum < best.maximum


def test_minimum_and_maximum_need_a_demand_and_a_cost() -> None:
    with pytest.raises(InvalidInput, match="a kit nobody asks for"):
        renewal_mass(np.array([1.0]), size=3)
    with pytest.raises(InvalidInput, match="`order_cost` must not be negative"):
        least_cost_min_max(np.array([0.5, 0.5]), level_cost=np.ones(3), lowest=0, order_cost=-1.0)
