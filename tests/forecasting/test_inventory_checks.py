"""Published values of inventory theory, one test a row of `tests/reference/inventory_checks.csv`.

The product counts kits. Where a textbook's demand is continuous it is rounded to a small unit, and `within` says how
near that comes; a demand that may be negative is moved up together with the levels.
"""

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import logser, nbinom, norm, poisson

from forecasting.arrays import FloatArray
from forecasting.frontier import StockedKit, expected_backorders, frontier
from forecasting.kits_per_renewal import kits_from_renewals
from forecasting.min_max import least_cost_min_max
from forecasting.order_costs import StockCosts, cost_rate, least_cost_policy, level_costs
from forecasting.order_quantities import economic_quantity, economic_quantity_when_waiting
from forecasting.policy_tables import base_stock_levels

REFERENCE = Path(__file__).parents[1] / "reference" / "inventory_checks.csv"
YEARLY, ORDER, HOLDING = 1300.0, 8.0, 0.225
COUNTS = np.arange(80)
UNIT, MOVED = 0.1, 2000
"""Of the normal demand, and how many of them it is moved up."""


def rounded_normal(mean: float, spread: float, *, unit: float, size: int, moved: int = 0) -> FloatArray:
    """Normal demand in whole units."""
    edges = norm.cdf((np.arange(size + 1) - moved - 0.5) * unit, mean, spread)
    return np.asarray(np.diff(edges))


def plain_quantity() -> tuple[float, ...]:
    quantity = economic_quantity(yearly_demand=YEARLY, order_cost=ORDER, holding_cost=HOLDING)
    return quantity, ORDER * YEARLY / quantity + HOLDING * quantity / 2.0


def waiting_quantity() -> tuple[float, ...]:
    quantity = economic_quantity_when_waiting(
        yearly_demand=YEARLY, order_cost=ORDER, holding_cost=HOLDING, waiting_cost=5.0
    )
    late = HOLDING / (HOLDING + 5.0)
    running = quantity / 2.0 * (HOLDING * (1.0 - late) ** 2 + 5.0 * late**2)
    return quantity, late, ORDER * YEARLY / quantity + running


def newsvendor(demand: FloatArray, *, unit: float, holding: float, waiting: float) -> tuple[float, float]:
    """Level at the critical ratio, and what it costs."""
    level = int(base_stock_levels(demand[None], targets=np.array([waiting / (waiting + holding)]))[0])
    costs = StockCosts(order=0.0, holding=holding * unit, waiting=waiting * unit)
    return level * unit, cost_rate(demand, reorder_point=level - 1, order_quantity=1, costs=costs, yearly=1.0)


def poisson_newsvendor() -> tuple[float, ...]:
    costs, demand = StockCosts(order=0.0, holding=1.0, waiting=4.0), poisson.pmf(COUNTS, 6.0)
    at_five = cost_rate(demand, reorder_point=4, order_quantity=1, costs=costs, yearly=1.0)
    return *newsvendor(demand, unit=1.0, holding=1.0, waiting=4.0), at_five


def minimum_and_maximum() -> tuple[float, ...]:
    demand, costs = poisson.pmf(COUNTS, 6.0), StockCosts(order=5.0, holding=1.0, waiting=4.0)
    levels = level_costs(demand, levels=np.arange(-10, 70), costs=costs, yearly=6.0)
    made = least_cost_min_max(demand, level_cost=levels, lowest=-10, order_cost=5.0)
    return made.minimum, made.maximum, made.cost


def normal_policy() -> tuple[FloatArray, StockCosts]:
    """Demand of a lead time of a month, and costs, in tenths."""
    demand = rounded_normal(YEARLY / 12.0, 150.0 / np.sqrt(12.0), unit=UNIT, size=7000, moved=MOVED)
    return demand, StockCosts(order=ORDER, holding=HOLDING * UNIT, waiting=7.5 * UNIT)


def normal_policy_cost() -> tuple[float, ...]:
    """Levels from r to r + Q, half of each end: the mean of a policy and of the one a unit below."""
    demand, costs = normal_policy()
    both = [
        cost_rate(demand, reorder_point=1268 + MOVED - below, order_quantity=3285, costs=costs, yearly=YEARLY / UNIT)
        for below in (0, 1)
    ]
    return (sum(both) / 2.0,)


def normal_policy_optimum() -> tuple[float, ...]:
    demand, costs = normal_policy()
    made = least_cost_policy(demand, costs=costs, yearly=YEARLY / UNIT, most=4000)
    return (made.reorder_point + 0.5 - MOVED) * UNIT, made.order_quantity * UNIT, made.cost


def poisson_policy() -> tuple[float, ...]:
    costs = StockCosts(order=100.0, holding=20.0, waiting=150.0)
    made = least_cost_policy(poisson.pmf(COUNTS, 3.0), costs=costs, yearly=1.5, most=100)
    return made.reorder_point, made.order_quantity, made.cost


def order_of_purchase() -> tuple[float, ...]:
    kits = [StockedKit(demand=poisson.pmf(COUNTS, mean), unit_cost=cost) for mean, cost in ((1, 5.0), (4, 1.0))]
    return tuple((frontier(kits).kit[:12] + 1).tolist())


def compound_poisson() -> tuple[float, ...]:
    sizes = np.append(0.0, logser.pmf(np.arange(1, 60), 0.4))
    kits = kits_from_renewals(poisson.pmf(np.arange(40), 2.0), sizes)[:60]
    return (float(np.abs(kits - nbinom.pmf(np.arange(60), 3.915230378, 0.6)).max()),)


CHECKS: dict[str, Callable[[], Sequence[float]]] = {
    "economic quantity": plain_quantity,
    "economic quantity when waiting": waiting_quantity,
    "newsvendor, normal": lambda: newsvendor(
        rounded_normal(50.0, 8.0, unit=0.001, size=120_000), unit=0.001, holding=0.18, waiting=0.70
    ),
    "newsvendor, Poisson": poisson_newsvendor,
    "minimum and maximum": minimum_and_maximum,
    "normal policy: cost": normal_policy_cost,
    "normal policy: optimum": normal_policy_optimum,
    "Poisson policy": poisson_policy,
    "backorders": lambda: expected_backorders(poisson.pmf(COUNTS, 4.0))[:6].tolist(),
    "order of purchase": order_of_purchase,
    "compound Poisson": compound_poisson,
}


def table() -> list[dict[str, str]]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table(), ids=lambda row: f"{row['check']} [{row['status']}; {row['source']}]")
def test_the_value_of_the_table_is_met(row: dict[str, str]) -> None:
    made = CHECKS[row["check"]]()
    expected = [float(value) for value in row["expected"].split()]
    within = [float(value) for value in row["within"].split()]
    assert len(made) == len(expected) == len(within)
    for ours, value, distance in zip(made, expected, within, strict=True):
        assert ours == pytest.approx(value, rel=1e-12, abs=distance * 1.0000001)


def test_every_check_has_its_row() -> None:
    assert {row["check"] for row in table()} == set(CHECKS)
