"""The files themselves: names, headers, cells, and that the same day gives the same bytes."""

import os
import re
import subprocess
import sys
from datetime import date
from decimal import Decimal
from itertools import chain
from pathlib import Path

import pytest

from seed_demo import write_demo_plant
from tests.seed_demo.conftest import Plant

HEADERS = {
    "areas": "code, name, records_begin_on, storeroom",
    "service_classes": "code, name, description",
    "maintainable_items": "code, name",
    "policies": "service_class, maintainable_item, policy, interval_days",
    "designs": (
        "code, name, body_size, rating, actuator_air_limit_kpa, leakage_class, seat_diameter_mm, rated_capacity_kv"
    ),
    "materials": "code, name, storage_life_days, edition, source",
    "parts": "code, name, material, unit_cost, priced_on, shelf_life_days",
    "kit_parts": "kit, part, qty",
    "turnarounds": "code, name, starts_on, ends_on, areas, scope_freeze_on",
    "closures": "code, name, starts_on, ends_on",
    "kits": "code, name, renews, unit_cost, priced_on, lead_time_days, lead_time_sd_days, min_order_qty, "
    "pack_qty, shelf_life_days, expedited_lead_time_days, expediting_cost, cancelling_cost, "
    "superseded_by, superseded_on, old_fits_new_need",
    "design_kits": "design, maintainable_item, kit, qty, on_opening",
    "valves": "tag, serial, design, service_class, area, installed_on, records_begin_on, last_renewed_on, "
    "removed_on, consequence, safety_related, isolable_on_run, proof_test_due_on",
    "events": "ref, tag, found_on, done_on, action, reason, turnaround, as_found, failure_mode, last_ok_on, "
    "renewed, kits_used, service_class_from, serial_fitted, labour_hours, cost, note",
    "storerooms": "code, name, review_period_days",
    "stock_settings": "storeroom, kit, rule, target, floor_qty, present_reorder_point, present_order_quantity",
    "stock": "storeroom, kit, on_hand, counted_on, bin",
    "orders": "ref, line, storeroom, kit, ordered_on, due_on, qty, received_on, received_qty",
    "issues": "ref, kit, storeroom, issued_on, qty, reason, tag",
    "rebuild_costs": "design, maintainable_item, planned_hours, planned_cost, unplanned_cost, opening_hours",
    "scope_lines": "turnaround, tag, decision, reason, decided_by",
}
KEYS = {
    "policies": ("service_class", "maintainable_item"),
    "design_kits": ("design", "maintainable_item"),
    "materials": ("code",),
    "parts": ("code",),
    "kit_parts": ("kit", "part"),
    "turnarounds": ("code",),
    "closures": ("code",),
    "valves": ("tag",),
    "stock_settings": ("storeroom", "kit"),
    "stock": ("storeroom", "kit"),
    "orders": ("ref", "line"),
    "issues": ("ref", "kit"),
    "rebuild_costs": ("design", "maintainable_item"),
    "scope_lines": ("turnaround", "tag"),
}
ENUMS = {
    ("policies", "policy"): {"corrective", "predetermined", "opportunistic"},
    ("valves", "consequence"): {"stops", "curtails", "tolerable"},
    ("events", "action"): {"rebuild", "exchange", "inspect", "reclassify"},
    ("events", "reason"): {"failure", "condition", "planned", ""},
    ("scope_lines", "decision"): {"must_open", "must_not_open"},
    ("stock_settings", "rule"): {"cycle_service_level", "fill_rate"},
}


def test_files_are_those_of_the_contract(plant: Plant) -> None:
    assert {path.name for path in plant.folder.iterdir()} == {f"{name}.csv" for name in HEADERS}


@pytest.mark.parametrize("name", HEADERS)
def test_headers_stand_in_the_order_of_the_contract(plant: Plant, name: str) -> None:
    first_line = (plant.folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
    assert first_line.split(",") == HEADERS[name].split(", ")


def test_rows_have_as_many_cells_as_the_header(plant: Plant) -> None:
    for row in chain.from_iterable(plant.tables.values()):
        assert None not in row
        assert None not in row.values()


def test_another_process_with_another_hash_seed_writes_the_same_bytes(plant: Plant, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "seed_demo", str(tmp_path), "--as-of", "2026-06-30"]
    subprocess.run(command, check=True, env={**os.environ, "PYTHONHASHSEED": "77"})
    for path in plant.folder.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), path.name


def test_dates_are_iso_and_end_on_the_day_of_the_plant(plant: Plant) -> None:
    ahead = {"due_on", "proof_test_due_on", "starts_on", "ends_on", "scope_freeze_on"}
    for name, rows in plant.tables.items():
        for column in rows[0]:
            if column.endswith("_on") and column not in {"last_renewed_on"} | ahead:
                days = [date.fromisoformat(row[column]) for row in rows if row[column]]
                assert max(days, default=date.min) <= date(2026, 6, 30), (name, column)
    assert max(event["done_on"] for event in plant.events) > "2026-06-15"


def test_an_earlier_day_hides_what_came_later(plant: Plant, tmp_path: Path) -> None:
    write_demo_plant(tmp_path, as_of=date(2022, 3, 1))
    text = (tmp_path / "events.csv").read_text(encoding="utf-8")
    assert max(re.findall(r",(\d{4}-\d\d-\d\d),(?:rebuild|inspect)", text)) <= "2022-03-01"
    assert "SYNGAS" in (tmp_path / "valves.csv").read_text(encoding="utf-8")


def test_a_day_before_the_plant_has_a_history_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="as_of is 2015-01-01, the demo plant needs 2020-01-01 or later"):
        write_demo_plant(tmp_path, as_of=date(2015, 1, 1))


@pytest.mark.parametrize("name", KEYS)
def test_keys_are_unique_without_regard_to_case(plant: Plant, name: str) -> None:
    keys = [tuple(row[column].upper() for column in KEYS[name]) for row in plant.tables[name]]
    assert len(keys) == len(set(keys))


def test_events_with_a_reference_have_it_once(plant: Plant) -> None:
    refs = [event["ref"] for event in plant.events if event["ref"]]
    assert len(refs) == len(set(refs))


@pytest.mark.parametrize(("name", "column"), ENUMS)
def test_words_are_those_of_the_contract_and_all_occur(plant: Plant, name: str, column: str) -> None:
    assert {row[column] for row in plant.tables[name]} == ENUMS[name, column]


def test_codes_are_printable_without_the_marks_that_join_lists(plant: Plant) -> None:
    columns = {"code", "tag", "design", "service_class", "area", "storeroom", "kit", "ref", "turnaround"}
    for row in chain.from_iterable(plant.tables.values()):
        for column in columns & row.keys():
            assert row[column].isprintable()
            assert not set("|:") & set(row[column])
            assert len(row[column]) <= 60
    assert any("/" in tag for tag in plant.valves)


def test_no_text_starts_like_a_formula(plant: Plant) -> None:
    for row in chain.from_iterable(plant.tables.values()):
        texts = [cell for column, cell in row.items() if column != "qty"]  # a return is negative
        assert not [cell for cell in texts if cell.startswith(("=", "+", "-", "@", "'", "\t"))]


def test_money_has_two_decimals_and_flags_are_words(plant: Plant) -> None:
    amounts = [kit["unit_cost"] for kit in plant.tables["kits"]]
    amounts += [event["cost"] for event in plant.events if event["cost"]]
    assert all(Decimal(amount).as_tuple().exponent == -2 for amount in amounts)
    flags = {valve["safety_related"] for valve in plant.valves.values()}
    flags |= {valve["isolable_on_run"] for valve in plant.valves.values()}
    assert flags == {"true", "false"}
    assert {row["on_opening"] for row in plant.tables["design_kits"]} == {"false"}
