"""The database itself refuses rows that can't be true, whoever writes them, and names the rule."""

from datetime import date
from typing import Any

import pytest
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel

from models.engine import Engines
from models.queries import records
from models.queries.files import FILES
from service.db import write_session

DAY = date(2024, 1, 1)
EARLIER = date(2023, 1, 1)
DAY_TEXT, EARLIER_TEXT = "2024-01-01", "2023-01-01"
EVENT = {"ref": "W", "ref_key": "w|v", "number": 0, "valve_id": 1, "done_on": DAY_TEXT, "action": "rebuild"}
POLICY = {"service_class_id": 1, "maintainable_item_id": 1, "policy": "predetermined", "interval_days": 1}
KIT = {"code": "X", "code_key": "x", "described": True}
CLOSURE = {"code": "X", "code_key": "x", "starts_on": DAY}
SETTING = {"storeroom_id": 1, "kit_id": 1}
ORDER = {"ref": "O", "ref_key": "o", "line": "1", "line_key": "1", "storeroom_id": 1, "kit_id": 1, "qty": 1}
VALVE = {"tag": "X", "tag_key": "x"}
COSTS = {"design_id": 1, "maintainable_item_id": 1}
LOT = SETTING | {"lot": "L", "lot_key": "l", "qty": 0}
RESERVATION = {"ref": "R", "ref_key": "r", "kit_id": 1, "qty": 1}
ISSUE = RESERVATION | {"issued_on": DAY}

GOOD: list[tuple[str, dict[str, Any]]] = [
    ("events", EVENT),
    ("events", EVENT | {"found_on": DAY_TEXT, "last_ok_on": DAY_TEXT, "cost": 0, "labour_hours": 0.0}),
    ("events", EVENT | {"ref": None, "number": 1}),
    ("policies", POLICY),
    ("policies", POLICY | {"policy": "corrective", "interval_days": None}),
    ("kits", KIT | {"unit_cost": 0, "lead_time_days": 0, "pack_qty": 1}),
    ("stock_settings", SETTING | {"rule": "least_cost", "target": 0.5}),
    ("designs", KIT | {"leakage_class": "VI", "seat_diameter_mm": 25.0, "rated_capacity_kv": 0.0}),
    ("orders", ORDER | {"received_qty": 0}),
    ("events", EVENT | {"found_on": "2024-01-01", "done_on": "2024", "last_ok_on": "2024-01"}),
    ("events", EVENT | {"found_on": "2024", "last_ok_on": "2024-01-01"}),
    ("materials", KIT | {"storage_life_days": "unlimited"}),
    ("materials", KIT | {"storage_life_days": 0}),
    ("rebuild_costs", COSTS | {"planned_hours": 0.0, "unplanned_cost": 0}),
    ("turnarounds", KIT | {"starts_on": DAY, "ends_on": DAY, "scope_freeze_on": DAY}),
    ("closures", CLOSURE | {"ends_on": DAY}),
    ("consequence_targets", {"consequence": "stops", "rule": "fill_rate", "target": 0.5}),
    ("lots", LOT | {"cured_on": DAY, "expires_on": DAY}),
    ("reservations", RESERVATION),
    ("issues", ISSUE | {"qty": -1, "reason": "failure"}),
    ("scope_lines", {"turnaround_id": 1, "valve_id": 1, "decision": "must_not_open"}),
    ("valves", VALVE | {"installed_on": "2024", "removed_on": DAY, "consequence": "stops"}),
]

BAD: list[tuple[str, dict[str, Any], str]] = [
    ("events", EVENT | {"found_on": "2024-01-02"}, "found_before_done"),
    ("events", EVENT | {"found_on": EARLIER_TEXT, "last_ok_on": DAY_TEXT}, "last_ok_before_found"),
    ("events", EVENT | {"last_ok_on": "2024-01-02"}, "last_ok_before_found"),
    ("events", EVENT | {"action": "repair"}, "action_known"),
    ("events", EVENT | {"reason": "wear"}, "reason_known"),
    ("events", EVENT | {"cost": -1}, "cost_at_least_0"),
    ("events", EVENT | {"labour_hours": -0.5}, "labour_hours_at_least_0"),
    ("events", EVENT | {"number": 1}, "number_without_ref"),
    ("events", EVENT | {"ref": None}, "number_without_ref"),
    ("events", EVENT | {"ref": "a|b"}, "ref_valid"),
    *(
        ("events", EVENT | {column: day}, f"{column}_valid")
        for column, day in (
            ("found_on", "202"),
            ("done_on", "2024-01-"),
            ("last_ok_on", "2023/12"),
            ("done_on", "x024"),
        )
    ),
    ("valves", VALVE | {"installed_on": "2024-1"}, "installed_on_valid"),
    ("valve_last_renewals", {"valve_id": 1, "renewed_on": "soon"}, "renewed_on_valid"),
    ("materials", KIT | {"code": "a:b"}, "code_valid"),
    ("materials", KIT | {"storage_life_days": "long"}, "storage_life_days_valid"),
    ("materials", KIT | {"storage_life_days": -1}, "storage_life_days_valid"),
    ("parts", KIT | {"code": "a:b"}, "code_valid"),
    ("parts", KIT | {"unit_cost": -1}, "unit_cost_at_least_0"),
    ("parts", KIT | {"shelf_life_days": -1}, "shelf_life_days_at_least_0"),
    ("kit_parts", {"kit_id": 1, "part_id": 1, "qty": 0}, "qty_at_least_1"),
    *(
        ("rebuild_costs", COSTS | {column: -1}, f"{column}_at_least_0")
        for column in ("planned_hours", "planned_cost", "unplanned_cost", "opening_hours")
    ),
    ("turnarounds", KIT | {"code": "a:b"}, "code_valid"),
    ("turnarounds", KIT | {"starts_on": DAY, "ends_on": EARLIER}, "ends_after_start"),
    ("turnarounds", KIT | {"starts_on": EARLIER, "scope_freeze_on": DAY}, "freeze_before_start"),
    ("closures", CLOSURE | {"code": "a:b", "ends_on": DAY}, "code_valid"),
    ("closures", CLOSURE | {"ends_on": EARLIER}, "ends_after_start"),
    ("consequence_targets", {"consequence": "dire"}, "consequence_known"),
    ("consequence_targets", {"consequence": "stops", "rule": "guess"}, "rule_known"),
    ("consequence_targets", {"consequence": "stops", "target": 1.0}, "target_is_a_share"),
    ("consequence_targets", {"consequence": "stops", "cost_of_failure": -1}, "cost_of_failure_at_least_0"),
    ("lots", LOT | {"lot": "a|b"}, "lot_valid"),
    ("lots", LOT | {"qty": -1}, "qty_at_least_0"),
    ("lots", LOT | {"cured_on": DAY, "expires_on": EARLIER}, "expires_after_cured"),
    ("reservations", RESERVATION | {"ref": ""}, "ref_valid"),
    ("reservations", RESERVATION | {"qty": 0}, "qty_at_least_1"),
    ("issues", ISSUE | {"ref": ""}, "ref_valid"),
    ("issues", ISSUE | {"qty": 0}, "qty_is_something"),
    ("issues", ISSUE | {"reason": "wear"}, "reason_known"),
    ("scope_lines", {"turnaround_id": 1, "valve_id": 1, "decision": "maybe"}, "decision_known"),
    ("event_as_found", {"event_id": 1, "maintainable_item_id": 1, "state": "bad"}, "state_known"),
    ("event_kits", {"event_id": 1, "kit_id": 1, "qty": 0}, "qty_at_least_1"),
    ("policies", POLICY | {"policy": "sometimes"}, "policy_known"),
    ("policies", POLICY | {"interval_days": None}, "interval_days_where_due"),
    ("policies", POLICY | {"policy": "opportunistic", "interval_days": 0}, "interval_days_where_due"),
    ("policies", POLICY | {"policy": "corrective"}, "interval_days_where_due"),
    ("kits", KIT | {"code": "a|b"}, "code_valid"),
    ("kits", KIT | {"code": "a:b"}, "code_valid"),
    ("kits", KIT | {"code": ""}, "code_valid"),
    ("kits", KIT | {"code": " a"}, "code_valid"),
    ("kits", KIT | {"unit_cost": -0.01}, "unit_cost_at_least_0"),
    ("kits", KIT | {"lead_time_days": -1}, "lead_time_days_at_least_0"),
    ("kits", KIT | {"lead_time_sd_days": -0.1}, "lead_time_sd_days_at_least_0"),
    ("kits", KIT | {"min_order_qty": -1}, "min_order_qty_at_least_0"),
    ("kits", KIT | {"pack_qty": 0}, "pack_qty_at_least_1"),
    ("kits", KIT | {"shelf_life_days": -1}, "shelf_life_days_at_least_0"),
    *(
        ("kits", KIT | {column: -1}, f"{column}_at_least_0")
        for column in ("expedited_lead_time_days", "expediting_cost", "cancelling_cost")
    ),
    ("kits", KIT | {"id": 77, "superseded_by_id": 77}, "superseded_by_another"),
    ("design_kits", {"design_id": 1, "maintainable_item_id": 1, "qty": 0}, "qty_at_least_1"),
    ("designs", KIT | {"actuator_air_limit_kpa": -1.0}, "actuator_air_limit_kpa_at_least_0"),
    ("designs", KIT | {"seat_diameter_mm": -1.0}, "seat_diameter_mm_at_least_0"),
    ("designs", KIT | {"rated_capacity_kv": -1.0}, "rated_capacity_kv_at_least_0"),
    ("designs", KIT | {"leakage_class": "VII"}, "leakage_class_known"),
    ("storerooms", KIT | {"review_period_days": -1}, "review_period_days_at_least_0"),
    ("valves", VALVE | {"installed_on": "2024", "removed_on": EARLIER}, "removed_after_installed"),
    ("valves", VALVE | {"consequence": "dire"}, "consequence_known"),
    ("valves", VALVE | {"tag": "a:b"}, "tag_valid"),
    ("stock_settings", SETTING | {"rule": "guess"}, "rule_known"),
    ("stock_settings", SETTING | {"target": 1.0}, "target_is_a_share"),
    ("stock_settings", SETTING | {"target": 0.0}, "target_is_a_share"),
    ("stock_settings", SETTING | {"floor_qty": -1}, "floor_qty_at_least_0"),
    ("stock_settings", SETTING | {"present_reorder_point": -1}, "present_reorder_point_at_least_0"),
    ("stock_settings", SETTING | {"present_order_quantity": -1}, "present_order_quantity_at_least_0"),
    ("stock", SETTING | {"on_hand": -1}, "on_hand_at_least_0"),
    ("orders", ORDER | {"qty": 0}, "qty_at_least_1"),
    ("orders", ORDER | {"received_qty": -1}, "received_qty_at_least_0"),
    ("orders", ORDER | {"line": ""}, "line_valid"),
    ("orders", ORDER | {"ref": "a|b"}, "ref_valid"),
    *(
        (table, KIT | {"code": "a:b"}, "code_valid")
        for table in ("areas", "service_classes", "maintainable_items", "designs", "storerooms")
    ),
]


@pytest.fixture
def peopled(engines: Engines) -> Engines:
    """Store one row of everything the rows above refer to; each has the id 1."""
    with write_session(engines) as session:
        records.upsert(session, "design_kits", [{"design": "D", "maintainable_item": "trim", "kit": "K"}])
        records.upsert(session, "valves", [{"tag": "V", "design": "D", "service_class": "wet"}])
        records.upsert(
            session, "events", [{"tag": "V", "done_on": EARLIER_TEXT, "action": "inspect", "turnaround": "T"}]
        )
        records.upsert(session, "kit_parts", [{"kit": "K", "part": "P"}])
        records.upsert(session, "storerooms", [{"code": "S"}])
    return engines


def add(engines: Engines, table: str, row: dict[str, Any]) -> None:
    with engines.writer.begin() as connection:
        connection.execute(insert(SQLModel.metadata.tables[table]), [row])


@pytest.mark.parametrize(("table", "row"), GOOD)
def test_what_can_be_true_is_stored(peopled: Engines, table: str, row: dict[str, Any]) -> None:
    add(peopled, table, row)


@pytest.mark.parametrize(("table", "row", "rule"), BAD)
def test_what_can_not_be_true_is_refused_by_name(peopled: Engines, table: str, row: dict[str, Any], rule: str) -> None:
    with pytest.raises(IntegrityError, match=f"ck_{table}_{rule}"):
        add(peopled, table, row)


def test_every_check_of_the_record_has_a_row_that_it_refuses() -> None:
    shown = {f"ck_{table}_{rule}" for table, _, rule in BAD}
    assert declared_checks() == shown


def declared_checks() -> set[str]:
    """Name the CHECK constraints of every table that a file of the record is stored in."""
    tables = {file.table for file in FILES.values()}
    tables |= {column.table for file in FILES.values() for column in file.members}
    named = {str(constraint.name) for table in tables for constraint in table.constraints}
    return {name for name in named if name.startswith("ck_")}


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("kits", KIT | {"code": "k", "code_key": "k"}),
        ("valves", VALVE | {"tag": "v", "tag_key": "v"}),
        ("design_kits", {"design_id": 1, "maintainable_item_id": 1}),
        ("kit_parts", {"kit_id": 1, "part_id": 1}),
    ],
)
def test_a_key_is_stored_once(peopled: Engines, table: str, row: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError, match=r"(?i)unique"):
        add(peopled, table, row)


def test_a_valve_has_one_last_renewal_of_all_its_items(peopled: Engines) -> None:
    """Both databases take NULLs of a unique key for different, so this needs an index of its own."""
    row = {"valve_id": 1, "renewed_on": DAY_TEXT}
    add(peopled, "valve_last_renewals", row)
    with pytest.raises(IntegrityError, match=r"(?i)unique"):
        add(peopled, "valve_last_renewals", row)
