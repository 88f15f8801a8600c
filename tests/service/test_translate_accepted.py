"""What was accepted and is on no order yet counts once: matched with orders that came after it, and with no others."""

from datetime import date

import pytest

from service.schemas.records import OrderRecord, StockSettingRecord
from service.translate_accepted import Accepted, accepted_kits, not_yet_ordered, with_accepted_levels

DAY, LATER = date(2026, 3, 1), date(2026, 3, 5)
KEY = ("MAIN", "K")


def took(quantity: int | None, *, as_of: date = DAY, known: tuple[str, ...] = (), kit: str = "K") -> Accepted:
    orders = tuple((ref, "1") for ref in known)
    return Accepted(storeroom="MAIN", kit=kit, as_of=as_of, quantity=quantity, known_orders=orders)


def order(ref: str, qty: int, *, on: date | None = DAY, kit: str = "K") -> OrderRecord:
    return OrderRecord(ref=ref, line="1", storeroom="MAIN", kit=kit, ordered_on=on, qty=qty)


@pytest.mark.parametrize(
    ("taken", "orders", "left"),
    [
        ([took(4)], [], 4),
        ([took(4)], [order("A", 4)], 0),
        ([took(4)], [order("A", 3)], 1),
        ([took(4)], [order("A", 9)], 0),
        ([took(4)], [order("A", 4, on=None)], 0),
        ([took(4, known=("A",))], [order("A", 4)], 4),
        ([took(4)], [order("A", 4, on=date(2026, 2, 28))], 4),
        ([took(4)], [order("A", 4, on=date(2026, 3, 6))], 4),
        ([took(4), took(2, as_of=date(2026, 3, 3))], [order("A", 4)], 2),
        ([took(4), took(2, known=("A",))], [order("A", 6)], 2),
        ([took(4), took(0)], [], 0),
        ([took(4), took(0), took(1)], [], 1),
        ([took(4), took(0, known=("A",)), took(1, known=("A",))], [order("A", 3), order("B", 1)], 0),
        ([took(4), took(0), took(1)], [order("B", 1)], 0),
        ([took(None)], [], 0),
        ([took(4, kit="OLD")], [order("A", 1, kit="OLD"), order("B", 2)], 1),
    ],
    ids=[
        *("nothing ordered", "ordered", "part of it", "more", "on an unknown day", "known before", "placed before"),
        *("not read yet", "the first first", "known to one", "taken back", "and again"),
        *("ordered in part before that", "ordered after that", "a level alone", "old kit"),
    ],
)
def test_what_is_left_to_order(taken: list[Accepted], orders: list[OrderRecord], left: int) -> None:
    counted = not_yet_ordered(accepted_kits(taken, orders, {"OLD": "K"}, as_of=LATER))
    assert counted == ({KEY: left} if left else {})


@pytest.mark.parametrize(("stated", "present"), [(2, 7), (3, 3)], ids=["as it was", "changed since"])
def test_an_accepted_level_is_in_use_until_the_record_states_another(stated: int, present: int) -> None:
    accepted = Accepted(storeroom="MAIN", kit="K", as_of=DAY, reorder_point=7, stated_reorder_point=2)
    setting = StockSettingRecord(storeroom="MAIN", kit="K", present_reorder_point=stated, floor_qty=1)
    (row,) = with_accepted_levels([setting], [accepted])
    assert (row.present_reorder_point, row.floor_qty) == (present, 1)


def test_a_level_is_accepted_of_a_kit_without_settings() -> None:
    (row,) = with_accepted_levels([], [Accepted(storeroom="MAIN", kit="K", as_of=DAY, reorder_point=7)])
    assert (row.storeroom, row.kit, row.present_reorder_point) == ("MAIN", "K", 7)
