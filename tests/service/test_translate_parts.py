"""What a storeroom makes up from parts stocked under their own codes, and how the order says so."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from forecasting.stocking import StockDecision
from service.schemas.records import KitPartRecord, KitRecord, PartRecord, StockRecord
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
        "parts": [
            {
                "part": part,
                "on_hand": qty.get(part, 0),
                "wanted": 4 * each,
                "short": max(4 * each - qty.get(part, 0), 0),
            }
            | {"kits": ["K"]}
            for part, each in (("RING", 2), ("SEAL", 1))
        ],
    }


def test_parts_that_kits_share_are_wanted_by_all_of_them_together() -> None:
    """Four K of two rings, three L of one ring: eleven rings, five there; K is the more urgent and takes four."""
    files = FILES | {
        "kits": [KIT, KitRecord(code="L", lead_time_days=30)],
        "kit_parts": [*FILES["kit_parts"], KitPartRecord(kit="L", part="RING")],
        "stock": shelf(K=1, L=1, RING=5, SEAL=20),
    }
    decisions = {
        ("MAIN", "K"): SHORT,
        ("MAIN", "L"): replace(SHORT, proposed=3, short_if_ordered_today=0.01),
    }
    found = from_parts(Records(**files), list(asked(**files).values()), decisions)
    rows = {
        kit: with_parts({"reason": "short", "proposed_quantity": qty, "details": {}}, found["MAIN", kit])
        for kit, qty in (("K", 4), ("L", 3))
    }
    missing = "6 RING more would make up all of K and L"
    assert rows["K"]["reason"] == (
        f"short; 2 of them can be made up from parts on the shelf, then RING is short; {missing}"
    )
    assert rows["L"]["reason"] == (
        f"short; 1 of them can be made up from parts on the shelf, then RING is short; {missing}"
    )
    ring = {"part": "RING", "on_hand": 5, "wanted": 11, "short": 6, "kits": ["K", "L"]}
    for row in rows.values():
        assert row["details"]["parts"][0] == ring  # type: ignore[index]


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
