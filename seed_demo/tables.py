"""The CSV files: their columns in the contract's order, and how a cell is written."""

import csv
from collections.abc import Iterable
from datetime import date
from pathlib import Path

Cell = str | int | bool | date | tuple[str, ...] | None
Row = tuple[Cell, ...]

COLUMNS = {
    "areas": "code name records_begin_on storeroom",
    "service_classes": "code name description",
    "maintainable_items": "code name",
    "policies": "service_class maintainable_item policy interval_days",
    "designs": "code name body_size rating actuator_air_limit_kpa leakage_class seat_diameter_mm rated_capacity_kv",
    "materials": "code name storage_life_days edition source",
    "parts": "code name material unit_cost priced_on shelf_life_days",
    "kits": (
        "code name renews unit_cost priced_on lead_time_days lead_time_sd_days min_order_qty pack_qty"
        " shelf_life_days expedited_lead_time_days expediting_cost cancelling_cost"
        " superseded_by superseded_on old_fits_new_need"
    ),
    "kit_parts": "kit part qty",
    "design_kits": "design maintainable_item kit qty on_opening",
    "rebuild_costs": "design maintainable_item planned_hours planned_cost unplanned_cost opening_hours",
    "scope_lines": "turnaround tag decision reason decided_by",
    "valves": (
        "tag serial design service_class area installed_on records_begin_on last_renewed_on removed_on"
        " consequence safety_related isolable_on_run proof_test_due_on"
    ),
    "events": (
        "ref tag found_on done_on action reason turnaround as_found failure_mode last_ok_on renewed"
        " kits_used service_class_from serial_fitted labour_hours cost note"
    ),
    "storerooms": "code name review_period_days",
    "stock_settings": ("storeroom kit rule target floor_qty present_reorder_point present_order_quantity"),
    "stock": "storeroom kit on_hand counted_on bin",
    "turnarounds": "code name starts_on ends_on areas scope_freeze_on",
    "closures": "code name starts_on ends_on",
    "issues": "ref kit storeroom issued_on qty reason tag",
    "orders": "ref line storeroom kit ordered_on due_on qty received_on received_qty",
}


def write_table(folder: Path, name: str, rows: Iterable[Row]) -> None:
    """Write one table as UTF-8 CSV with its header row."""
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS[name].split())
        writer.writerows([_text(cell) for cell in row] for row in rows)


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, date):
        return cell.isoformat()
    return "|".join(cell) if isinstance(cell, tuple) else str(cell)
