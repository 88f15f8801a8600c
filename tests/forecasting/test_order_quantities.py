"""Order quantities: published values, the optimum, packs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.errors import InvalidInput
from forecasting.order_quantities import economic_quantity, economic_quantity_when_waiting, in_packs
from tests.strategies import CI

QUICK = settings(CI, max_examples=60)


@pytest.mark.parametrize(
    ("demand", "order", "holding", "quantity"),
    [pytest.param(1300.0, 8.0, 0.225, 304.0467800264, id="Snyder & Shen example 3.1, seen through a package")],
)
def test_economic_quantity(demand: float, order: float, holding: float, quantity: float) -> None:
    got = economic_quantity(yearly_demand=demand, order_cost=order, holding_cost=holding)
    assert got == pytest.approx(quantity, abs=5e-11)


@QUICK
@given(demand=st.floats(0.1, 500.0), order=st.floats(1.0, 500.0), holding=st.floats(0.1, 500.0))
def test_no_other_quantity_is_cheaper(demand: float, order: float, holding: float) -> None:
    best = economic_quantity(yearly_demand=demand, order_cost=order, holding_cost=holding)

    def cost(quantity: float) -> float:
        return order * demand / quantity + holding * quantity / 2.0

    assert cost(best) <= min(cost(0.99 * best), cost(1.01 * best))
    assert cost(best) == pytest.approx(np.sqrt(2.0 * order * demand * holding), rel=1e-12)


@pytest.mark.parametrize(
    "wrong",
    [
        {"holding_cost": 0.0},
        {"holding_cost": -1.0},
        {"holding_cost": np.nan},
        {"yearly_demand": -1.0},
        {"order_cost": -1.0},
        {"order_cost": np.inf},
    ],
    ids=str,
)
def test_costs_that_can_not_be_are_refused(wrong: dict[str, float]) -> None:
    numbers = {"yearly_demand": 10.0, "order_cost": 60.0, "holding_cost": 5.0} | wrong
    with pytest.raises(InvalidInput, match="`holding_cost` must be positive, the others not negative"):
        economic_quantity(**numbers)


def test_a_waiting_cost_must_be_one() -> None:
    with pytest.raises(InvalidInput, match="`waiting_cost` must be positive"):
        economic_quantity_when_waiting(yearly_demand=1.0, order_cost=1.0, holding_cost=1.0, waiting_cost=0.0)


@QUICK
@given(waiting=st.floats(1.0, 1e6))
def test_the_dearer_it_is_to_wait_the_nearer_the_plain_quantity(waiting: float) -> None:
    """Of the order h / (h + b) is asked for before it arrives; at the optimum holding and waiting cost as ordering."""
    demand, order, holding = 1300.0, 8.0, 0.225
    quantity = economic_quantity_when_waiting(
        yearly_demand=demand, order_cost=order, holding_cost=holding, waiting_cost=waiting
    )
    late = holding / (holding + waiting)
    running = quantity / 2.0 * (holding * (1.0 - late) ** 2 + waiting * late**2)
    assert running == pytest.approx(order * demand / quantity, rel=1e-9)


@pytest.mark.parametrize(
    ("wanted", "pack", "quantity"), [(0.2, 1, 1), (4.4, 1, 4), (4.6, 1, 5), (4.6, 4, 8), (0.0, 6, 6)]
)
def test_packs_are_whole(wanted: float, pack: int, quantity: int) -> None:
    assert in_packs(wanted, pack=pack) == quantity
