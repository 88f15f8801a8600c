"""What was accepted for turnarounds: each kit counts once, for the turnaround it was accepted for."""

from datetime import date

import pytest

from forecasting.stock_positions import OpenOrder
from service.schemas.records import OrderRecord, TurnaroundRecord
from service.translate_accepted import Accepted, accepted_kits, not_yet_ordered
from service.translate_for_turnarounds import ForTurnaround, OpenLine, for_turnarounds, without_theirs

DAY, LATER = date(2026, 3, 1), date(2026, 3, 5)
KEY = ("MAIN", "K")
SPRING = TurnaroundRecord(code="SPRING", starts_on=date(2026, 5, 1), ends_on=date(2026, 5, 20))
AUTUMN = TurnaroundRecord(code="AUTUMN", starts_on=date(2026, 9, 1))


def took(quantity: int, turnaround: str | None = None, *, known: tuple[str, ...] = ()) -> Accepted:
    orders = tuple((ref, "1") for ref in known)
    return Accepted(storeroom="MAIN", kit="K", as_of=DAY, quantity=quantity, turnaround=turnaround, known_orders=orders)


def order(ref: str, qty: int) -> OrderRecord:
    return OrderRecord(ref=ref, line="1", storeroom="MAIN", kit="K", ordered_on=DAY, qty=qty)


def coming(**rest: int) -> dict[tuple[str, str], OpenLine]:
    """Say what is still to come of orders, each due 30 days from now."""
    return {(ref, "1"): OpenLine(due=30.0, rest=qty) for ref, qty in rest.items()}


def told(
    taken: list[Accepted],
    orders: list[OrderRecord],
    lines: dict[tuple[str, str], OpenLine],
    turnarounds: tuple[TurnaroundRecord, ...] = (SPRING, AUTUMN),
    as_of: date = LATER,
) -> tuple[int, dict[str, ForTurnaround]]:
    """Tell what is open for the running need, and what there is for each turnaround."""
    matched = accepted_kits(taken, orders, {}, as_of=as_of)
    theirs = for_turnarounds(matched, lines, turnarounds, as_of=as_of)
    return not_yet_ordered(matched).get(KEY, 0), theirs.get(KEY, {})


def due(qty: int) -> tuple[OpenOrder, ...]:
    return (OpenOrder(due=30.0, qty=qty),) if qty else ()


def test_until_an_order_comes_it_is_accepted_then_on_order_then_received() -> None:
    taken = [took(6, "SPRING")]
    assert told(taken, [], {}) == (0, {"SPRING": ForTurnaround(accepted=6)})
    assert told(taken, [order("A", 4)], coming(A=4)) == (0, {"SPRING": ForTurnaround(accepted=2, orders=due(4))})
    assert told(taken, [order("A", 6)], coming(A=1)) == (0, {"SPRING": ForTurnaround(orders=due(1), received=5)})
    assert told(taken, [order("A", 9)], {}) == (0, {"SPRING": ForTurnaround(received=6)})


def test_an_order_is_for_one_purpose_only_the_first_accepted_first() -> None:
    taken = [took(2), took(6, "SPRING"), took(3, "AUTUMN")]
    assert told(taken, [order("A", 10)], coming(A=10)) == (
        0,
        {"SPRING": ForTurnaround(orders=due(6)), "AUTUMN": ForTurnaround(accepted=1, orders=due(2))},
    )
    assert told(taken, [order("A", 7)], coming(A=7)) == (
        0,
        {"SPRING": ForTurnaround(accepted=1, orders=due(5)), "AUTUMN": ForTurnaround(accepted=3)},
    )
    # 4 of 10 are still to come: what is for one turnaround isn't for the other
    _, part = told(taken, [order("A", 10)], coming(A=4))
    assert part == {"SPRING": ForTurnaround(orders=due(4), received=2), "AUTUMN": ForTurnaround(accepted=1, received=2)}


def test_taking_back_is_for_the_same_purpose_alone() -> None:
    taken = [took(4), took(6, "SPRING"), took(3, "AUTUMN"), took(0, "SPRING")]
    assert told(taken, [], {}) == (4, {"SPRING": ForTurnaround(), "AUTUMN": ForTurnaround(accepted=3)})
    assert told([*taken, took(0)], [], {})[0] == 0
    # an order that comes afterwards is for what wasn't taken back
    assert told(taken, [order("A", 7)], coming(A=7)) == (
        0,
        {"SPRING": ForTurnaround(), "AUTUMN": ForTurnaround(orders=due(3))},
    )


@pytest.mark.parametrize(
    ("as_of", "turnarounds", "left"),
    [
        (date(2026, 4, 30), (SPRING,), ForTurnaround(accepted=1, orders=due(2), received=3)),
        (date(2026, 5, 1), (SPRING,), ForTurnaround(accepted=1, orders=due(2))),
        (date(2026, 5, 20), (SPRING,), None),
        (LATER, (), None),
        (LATER, (TurnaroundRecord(code="SPRING"),), None),
    ],
    ids=["the day before", "it has begun", "it is over", "no longer in the record", "undated"],
)
def test_kits_are_kept_until_the_turnaround_begins(
    as_of: date, turnarounds: tuple[TurnaroundRecord, ...], left: ForTurnaround | None
) -> None:
    _, found = told([took(6, "SPRING")], [order("A", 5)], coming(A=2), turnarounds, as_of)
    assert found.get("SPRING") == left


def test_what_is_there_by_a_day_leaves_out_what_comes_later() -> None:
    one = ForTurnaround(accepted=1, orders=(OpenOrder(due=-3.0, qty=2), OpenOrder(due=50.0, qty=4)), received=8)
    assert [one.there_by(days) for days in (0.0, 49.0, 50.0)] == [11, 11, 15]
    assert (one.on_order, one.overdue) == (6, 2)


def test_the_running_need_counts_only_orders_that_are_not_theirs() -> None:
    orders = [OpenOrder(due=30.0, qty=5), OpenOrder(due=40.0, qty=2), OpenOrder(due=30.0, qty=3)]
    theirs = {"SPRING": ForTurnaround(orders=due(6)), "AUTUMN": ForTurnaround(orders=due(1))}
    assert without_theirs(orders, theirs) == (OpenOrder(due=40.0, qty=2), OpenOrder(due=30.0, qty=1))
    assert without_theirs(orders, {}) == tuple(orders)
