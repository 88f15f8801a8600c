"""What expires when; targets by consequence; lead times as orders took; settings of superseded kits."""

from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from forecasting.lots import Lot
from forecasting.stocking import Rule
from service.schemas.records import (
    ConsequenceTargetRecord,
    KitPartRecord,
    KitRecord,
    LotRecord,
    MaterialRecord,
    OrderRecord,
    PartRecord,
    StockRecord,
    StockSettingRecord,
)
from service.translate_shelf_life import shelf_lives
from tests.service.test_translate_stock import AS_OF, KIT, asked, of_kit

MATERIALS = [
    MaterialRecord(code="NBR", storage_life_days=5475, source="table A", edition="2022"),
    MaterialRecord(code="FKM", storage_life_days="unlimited"),
    MaterialRecord(code="SECRET"),
]
PARTS = [
    PartRecord(code="O-RING", material="NBR"),
    PartRecord(code="SEAT", material="FKM"),
    PartRecord(code="CUP", material="NBR", shelf_life_days=1800),
    PartRecord(code="DISC", material="SECRET"),
]


def life_of(*parts: str, **kit: Any) -> tuple[float, str, tuple[str, ...]] | None:
    lines = [KitPartRecord(kit="K", part=part) for part in parts]
    told = shelf_lives([KitRecord(code="K", **kit)], lines, PARTS, MATERIALS).get("K")
    return None if told is None else (told.days, told.source, told.unsaid)


@pytest.mark.parametrize(
    ("parts", "kit", "told"),
    [
        (("O-RING", "CUP"), {"shelf_life_days": 700}, (700.0, "kit", ())),
        (("O-RING", "CUP", "SEAT"), {}, (1800.0, "part CUP", ())),
        (("O-RING", "SEAT"), {}, (5475.0, "material NBR of part O-RING (table A, 2022)", ())),
        (("SEAT",), {}, (np.inf, "material FKM of part SEAT", ())),
        (("O-RING", "DISC"), {}, (5475.0, "material NBR of part O-RING (table A, 2022)", ("DISC",))),
        (("DISC", "NOBODY"), {}, None),
        ((), {}, None),
    ],
    ids=str,
)
def test_a_kit_keeps_as_long_as_it_says_else_its_parts_else_their_materials(
    parts: tuple[str, ...], kit: dict[str, Any], told: tuple[float, str, tuple[str, ...]] | None
) -> None:
    """Empty is unknown, not unlimited; unlimited is known."""
    assert life_of(*parts, **kit) == told


def lot(name: str, qty: int, **said: Any) -> LotRecord:
    return LotRecord(storeroom="MAIN", kit="K", lot=name, qty=qty, **said)


def test_the_clock_of_a_lot_is_its_cure_date() -> None:
    """1,800 days from 1 January 2022 is 6 December 2026; stated days win; the day of expiry is still good."""
    lots = [
        lot("CURED", 1, cured_on=date(2022, 1, 1)),
        lot("STATED", 1, cured_on=date(2022, 1, 1), expires_on=date(2026, 3, 2)),
        lot("TODAY", 1, expires_on=AS_OF),
    ]
    question = of_kit(lots=lots).question
    assert question.lots == tuple(Lot(expires=float(days), qty=1) for days in (0, 1, (date(2026, 12, 6) - AS_OF).days))
    assert (question.expired, [one.qty for one in question.expiring_lots]) == (1, [1])


def test_lots_that_sum_to_another_number_than_the_count_are_said() -> None:
    two = [lot("A", 2, expires_on=date(2026, 4, 1)), lot("B", 2, expires_on=date(2027, 4, 1))]
    more = of_kit(lots=two)
    assert more.question.lots == (Lot(expires=31.0, qty=1), Lot(expires=396.0, qty=2))
    assert more.warnings == ("lots hold 4, the count 3: those that expire first are taken as used",)
    fewer = of_kit(lots=two[:1])
    assert fewer.question.lots == (Lot(expires=31.0, qty=2), Lot(expires=np.inf, qty=1))
    assert fewer.warnings == ("lots hold 2, the count 3: of the others nobody knows when they expire",)


def test_a_lot_without_any_day_is_said_unless_its_material_keeps_for_ever() -> None:
    undated = [lot("A", 3)]
    assert of_kit(lots=undated).warnings == ("3 in lots of which nobody knows when they expire",)
    lasting = {
        "kits": [KitRecord(code="K", unit_cost=Decimal(1), lead_time_days=9, lead_time_sd_days=0.0)],
        "kit_parts": [KitPartRecord(kit="K", part="SEAT")],
        "parts": PARTS,
        "materials": MATERIALS,
    }
    one = of_kit(lots=undated, **lasting)
    assert (one.warnings, one.question.shelf_life) == ((), np.inf)


def test_a_part_that_does_not_say_how_long_it_keeps_is_named() -> None:
    bare = KitRecord(code="K", unit_cost=Decimal(1), lead_time_days=9, lead_time_sd_days=0.0)
    lines = [KitPartRecord(kit="K", part=part) for part in ("CUP", "DISC")]
    one = of_kit(kits=[bare], kit_parts=lines, parts=PARTS, materials=MATERIALS)
    assert one.question.shelf_life == 1800.0
    assert one.warnings == ("shelf life of part DISC not known",)


@pytest.mark.parametrize(
    ("setting", "general", "expected"),
    [
        ({}, {"target": 0.97}, (Rule.CYCLE, 0.97, "target of consequence stops")),
        ({}, {"rule": "fill_rate", "target": 0.97}, (Rule.FILL, 0.97, "target of consequence stops")),
        ({"target": 0.91}, {"target": 0.97}, (Rule.CYCLE, 0.91, "stock setting")),
        (
            {"rule": "fill_rate"},
            {"target": 0.97},
            (
                Rule.CYCLE,
                0.97,
                "target of consequence stops (the stock setting names the rule fill_rate without a target)",
            ),
        ),
        ({"rule": "least_cost"}, {"cost_of_failure": Decimal(9000)}, (Rule.LEAST_COST, 0.0, "stock setting")),
        (
            {},
            {"rule": "least_cost", "cost_of_failure": Decimal(9000)},
            (Rule.LEAST_COST, 0.0, "target of consequence stops"),
        ),
        ({}, {"cost_of_failure": Decimal(9000)}, (Rule.CYCLE, 0.98, "assumed for consequence stops")),
    ],
    ids=str,
)
def test_targets_are_the_kit_s_else_those_of_the_worst_consequence(
    setting: dict[str, Any], general: dict[str, Any], expected: tuple[Rule, float, str]
) -> None:
    one = of_kit(
        stock_settings=[StockSettingRecord(storeroom="MAIN", kit="K", **setting)],
        consequence_targets=[
            ConsequenceTargetRecord(consequence="stops", **general),
            ConsequenceTargetRecord(consequence="tolerable", target=0.5),
        ],
    )
    assert (one.question.rule, one.question.target, one.target_source) == expected
    cost = general.get("cost_of_failure")
    assert one.question.shortage_cost == (None if cost is None else 9000.0)
    assert (one.shortage_weight, one.weight_is_money) == ((20.0, False) if cost is None else (9000.0, True))


def test_least_cost_without_a_price_falls_back_and_says_so() -> None:
    one = of_kit(
        kits=[KitRecord(code="K", lead_time_days=9, lead_time_sd_days=0.0, shelf_life_days=900)],
        stock_settings=[StockSettingRecord(storeroom="MAIN", kit="K", rule="least_cost")],
        consequence_targets=[ConsequenceTargetRecord(consequence="stops", cost_of_failure=Decimal(9000))],
    )
    assert one.question.rule is Rule.CYCLE
    assert one.target_source.endswith("needs the kit's price and the cost of a failure)")


def past_order(number: int, days: int, **said: Any) -> OrderRecord:
    plain: dict[str, Any] = {"ref": f"PO-{number}", "line": "1", "storeroom": "MAIN", "kit": "K", "qty": 2}
    ordered = date(2025, 3, 1)
    received = date.fromordinal(ordered.toordinal() + days)
    return OrderRecord(**({**plain, "ordered_on": ordered, "received_on": received} | said))


def test_lead_times_are_shrunk_towards_what_orders_took() -> None:
    """Stated 45 and 9; four orders took 65: halfway, wider, and the answer says four. In whole days."""
    one = of_kit(orders=[past_order(number, 65) for number in range(4)])
    assert (one.question.lead_time, one.orders_seen) == (55.0, 4)
    assert one.question.lead_time_spread == pytest.approx(np.sqrt((4 * 81.0 + 2 * 400.0) / 8), abs=0.05)


def test_an_order_still_open_after_its_lead_time_makes_it_longer() -> None:
    """Ordered a year ago and not here; one received after the cut-off is open, one in the future tells nothing."""
    late = past_order(1, 400)
    future = past_order(2, 0, ordered_on=date(2026, 4, 1), received_on=date(2026, 5, 1))
    one = of_kit(orders=[late, future])
    assert one.orders_seen == 1
    assert one.question.lead_time == pytest.approx((4 * 45.0 + 365.0) / 5.0)


def test_orders_of_a_superseded_kit_tell_of_its_successor() -> None:
    old = KitRecord(code="OLD", superseded_by="K", old_fits_new_need=False)
    orders = [past_order(number, 65, kit="OLD") for number in range(4)]
    assert of_kit(kits=[KIT, old], orders=orders).question.lead_time == 55.0


def test_a_stock_setting_rolls_to_the_successor_unless_it_has_its_own() -> None:
    """And what is left of the old kit, if it fits, is used first: it counts for the successor."""
    kits = [KIT, KitRecord(code="OLD", superseded_by="K", old_fits_new_need=True)]
    rolled = StockSettingRecord(storeroom="MAIN", kit="OLD", target=0.93, floor_qty=2, present_reorder_point=4)
    stock = [StockRecord(storeroom="MAIN", kit=kit, on_hand=number) for kit, number in (("K", 1), ("OLD", 2))]
    questions = asked(kits=kits, stock_settings=[rolled], stock=stock)
    assert set(questions) == {("MAIN", "K")}
    one = questions["MAIN", "K"]
    assert (one.question.target, one.floor_qty, one.present_reorder_point) == (0.93, 2, 4)
    assert one.question.on_hand == 3
    assert one.warnings == ("stock setting of OLD, which it supersedes",)
    assert (one.old_stock, one.setting_of) == ({"OLD": 2}, "OLD")
    own = StockSettingRecord(storeroom="MAIN", kit="K", target=0.99)
    for settings in ([rolled, own], [own, rolled]):
        kept = asked(kits=kits, stock_settings=settings, stock=stock)["MAIN", "K"]
        assert (kept.question.target, kept.floor_qty, kept.warnings) == (0.99, 0, ())
        assert kept.setting_of is None


def test_present_levels_reach_the_numerics() -> None:
    setting = StockSettingRecord(storeroom="MAIN", kit="K", present_reorder_point=2, present_order_quantity=5)
    question = of_kit(stock_settings=[setting]).question
    assert (question.present_reorder_point, question.present_order_quantity) == (2, 5)
