"""What a storeroom makes up from parts stocked under their own codes, and how the order says so."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from forecasting.stocking import StockDecision
from service.schemas.records import KitPartRecord, PartRecord, StockRecord
from service.translate import Records
from service.translate_parts import from_parts, with_parts
from tests.service.test_translate_results import ENOUGH, SHORT
from tests.service.test_translate_stock import KIT, asked

FILES: dict[str, Any] = {
    "kits": [KIT],
    "parts": [PartRecord(code="RING", unit_cost=Decimal("9.80")), PartRecord(code="SEAL", unit_cost=Decimal(6))],
    "kit_parts": [KitPartRecord(kit="K", part="RING", qty=2), KitPartRecord(kit="K", part="SEAL")],
}


def shelf(**qty: int) -> list[StockRecord]:
    return [StockRecord(storeroom="MAIN", kit=code, on_hand=number) for code, number in qty.items()]


def row_of(decision: StockDecision, **qty: int) -> dict[str, Any]:
    files = FILES | {"stock": shelf(K=1, **qty)}
    found = from_parts(Records(**files), list(asked(**files).values()), {("MAIN", "K"): decision})
    row = {"reason": "short", "proposed_quantity": decision.proposed, "details": {"floor_qty": 0}}
    return with_parts(row, found.get(("MAIN", "K")))


@pytest.mark.parametrize(
    ("qty", "reason", "made", "short"),
    [
        ({"RING": 20, "SEAL": 20}, "short; all 4 can be made up from parts on the shelf", 10, ["RING"]),
        (
            {"RING": 5, "SEAL": 20},
            "short; 2 of them can be made up from parts on the shelf, then RING is short",
            2,
            ["RING"],
        ),
        ({"RING": 5}, "short; none can be made up from parts: SEAL is short", 0, ["SEAL"]),
        ({"RING": 0, "SEAL": 0}, "short; none can be made up from parts: RING and SEAL are short", 0, ["RING", "SEAL"]),
    ],
    ids=str,
)
def test_an_order_says_what_parts_make_up(qty: dict[str, int], reason: str, made: int, short: list[str]) -> None:
    """The kit of two rings and a seal, four to order; 25.60 in parts."""
    row = row_of(SHORT, **qty)
    assert row["reason"] == reason
    assert row["details"] == {
        "floor_qty": 0,
        "made_up_qty": made,
        "made_up_alone_qty": made,
        "made_up_short_of": short,
        "parts_cost": "25.60",
    }


def test_with_nothing_to_order_only_the_details_say_it() -> None:
    row = row_of(ENOUGH, RING=20, SEAL=20)
    assert (row["reason"], row["details"]["made_up_qty"]) == ("short", 10)


def test_where_no_part_is_stocked_nothing_is_said() -> None:
    row = row_of(SHORT)
    assert (row["reason"], row["details"]) == ("short", {"floor_qty": 0})


def test_parts_of_unknown_price_have_no_cost() -> None:
    files = FILES | {"parts": [PartRecord(code="RING"), PartRecord(code="SEAL")], "stock": shelf(RING=4, SEAL=4)}
    found = from_parts(Records(**files), list(asked(**files).values()), {("MAIN", "K"): replace(SHORT, proposed=1)})
    assert found["MAIN", "K"].parts_cost is None


def test_a_stocked_part_is_no_kit_to_ask_about() -> None:
    """Else it were dead stock, for no valve takes it."""
    assert set(asked(**FILES | {"stock": shelf(K=1, RING=4)})) == {("MAIN", "K")}
