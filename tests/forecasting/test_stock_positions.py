"""What counts as stock: overdue orders always, orders due too late never."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.errors import InvalidInput
from forecasting.stock_positions import OpenOrder, stock_position
from tests.strategies import CI

QUICK = settings(CI, max_examples=200)
ORDERS = st.lists(st.builds(OpenOrder, due=st.integers(-400, 400).map(float), qty=st.integers(1, 20)), max_size=8).map(
    tuple
)


def test_the_position_is_made_up_of_its_parts() -> None:
    """On hand 7, of which 2 expired, 1 waited for, 3 reserved; 4 overdue, 5 due in time, 9 due later."""
    orders = [OpenOrder(due=-10.0, qty=4), OpenOrder(due=30.0, qty=5), OpenOrder(due=31.0, qty=9)]
    made = stock_position(on_hand=7, orders=orders, protection_interval=30.0, expired=2, unfilled=1, reserved=3)
    assert (made.on_order, made.overdue, made.late) == (9, 4, 9)
    assert made.position == 7 - 2 - 1 - 3 + 9


@QUICK
@given(orders=ORDERS, interval=st.integers(0, 400), on_hand=st.integers(0, 9))
def test_every_order_counts_once_in_time_or_late(orders: tuple[OpenOrder, ...], interval: int, on_hand: int) -> None:
    made = stock_position(on_hand=on_hand, orders=orders, protection_interval=float(interval))
    assert made.on_order == sum(order.qty for order in orders if order.due <= interval)
    assert made.overdue == sum(order.qty for order in orders if order.due < 0) <= made.on_order
    assert made.on_order + made.late == sum(order.qty for order in orders)
    assert made.position == on_hand + made.on_order


@QUICK
@given(orders=ORDERS, late=st.integers(1, 3000), qty=st.integers(1, 99))
def test_an_order_due_after_the_protection_interval_changes_no_position(
    orders: tuple[OpenOrder, ...], late: int, qty: int
) -> None:
    before = stock_position(on_hand=2, orders=orders, protection_interval=60.0)
    after = stock_position(on_hand=2, orders=(*orders, OpenOrder(due=60.0 + late, qty=qty)), protection_interval=60.0)
    assert after.position == before.position
    assert after.late == before.late + qty


@QUICK
@given(orders=ORDERS, overdue=st.integers(1, 3000), qty=st.integers(1, 99))
def test_an_overdue_order_counts_however_late_it_is(orders: tuple[OpenOrder, ...], overdue: int, qty: int) -> None:
    before = stock_position(on_hand=2, orders=orders, protection_interval=60.0)
    after = stock_position(
        on_hand=2, orders=(*orders, OpenOrder(due=-float(overdue), qty=qty)), protection_interval=60.0
    )
    assert (after.position, after.overdue) == (before.position + qty, before.overdue + qty)


@pytest.mark.parametrize(
    "wrong",
    [{"on_hand": -1}, {"expired": 3}, {"expired": -1}, {"unfilled": -1}, {"reserved": -1}],
    ids=str,
)
def test_stock_that_can_not_be_is_refused(wrong: dict[str, int]) -> None:
    parts = {"on_hand": 2, "expired": 0, "unfilled": 0, "reserved": 0} | wrong
    with pytest.raises(InvalidInput, match="stock must not be negative nor `expired` beyond `on_hand`"):
        stock_position(orders=[], protection_interval=30.0, **parts)


@pytest.mark.parametrize("interval", [-1.0, math.nan])
def test_a_protection_interval_that_can_not_be_is_refused(interval: float) -> None:
    with pytest.raises(InvalidInput, match="stock must not be negative"):
        stock_position(on_hand=1, orders=[], protection_interval=interval)


@pytest.mark.parametrize(("due", "qty"), [(3.0, 0), (3.0, -2), (math.nan, 1)])
def test_an_open_order_of_nothing_is_refused(due: float, qty: int) -> None:
    with pytest.raises(InvalidInput, match="an open order needs a `qty` and a `due`"):
        OpenOrder(due=due, qty=qty)
