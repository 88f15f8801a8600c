"""The record as files: what an upsert stores, what it leaves alone, and the order in which it is read."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import event

from models.base import NotFound
from models.engine import Engines
from models.queries import records
from models.queries.codes import CHUNK
from models.queries.files import FILES
from models.queries.records import UpsertCounts, upsert
from service.db import read_session, write_session
from tests.database_dump import dump

DAY = date(2020, 5, 1)
REBUILD = {"tag": "FV-1", "done_on": "2020-05-01", "action": "rebuild"}

# A row of each file with a value in every column, so that no column can be forgotten on the way in or out.
FULL: dict[str, dict[str, Any]] = {
    "storerooms": {"code": "S-1", "name": "Main", "review_period_days": 7},
    "areas": {"code": "A-1", "name": "Unit", "records_begin_on": DAY, "storeroom": "S-1"},
    "service_classes": {"code": "wet", "name": "Wet gas", "description": "sour, hot"},
    "maintainable_items": {"code": "trim", "name": "Trim"},
    "policies": {
        "service_class": "wet",
        "maintainable_item": "trim",
        "policy": "predetermined",
        "interval_days": 900,
    },
    "designs": {
        "code": "D-1",
        "name": "Globe",
        "body_size": "2 in",
        "rating": "class 600",
        "actuator_air_limit_kpa": 410.5,
        "leakage_class": "IV",
        "seat_diameter_mm": 51.0,
        "rated_capacity_kv": 46.5,
    },
    "materials": {
        "code": "FKM",
        "name": "Fluoroelastomer",
        "storage_life_days": "unlimited",
        "edition": "3",
        "source": "own rule",
    },
    "parts": {
        "code": "P-1",
        "name": "Seal ring",
        "material": "FKM",
        "unit_cost": Decimal("1.10"),
        "priced_on": DAY,
        "shelf_life_days": 900,
    },
    "kits": {
        "code": "K-1",
        "name": "Trim kit",
        "renews": ["packing", "trim"],
        "unit_cost": Decimal("812.50"),
        "priced_on": DAY,
        "lead_time_days": 84,
        "lead_time_sd_days": 10.5,
        "min_order_qty": 0,
        "pack_qty": 2,
        "shelf_life_days": 1800,
        "expedited_lead_time_days": 21,
        "expediting_cost": Decimal("450.00"),
        "cancelling_cost": Decimal("220.05"),
        "superseded_by": "K-2",
        "superseded_on": DAY,
        "old_fits_new_need": True,
    },
    "kit_parts": {"kit": "K-1", "part": "P-1", "qty": 2},
    "rebuild_costs": {
        "design": "D-1",
        "maintainable_item": "trim",
        "planned_hours": 12.5,
        "planned_cost": Decimal("900.00"),
        "unplanned_cost": Decimal("2100.00"),
        "opening_hours": 4.0,
    },
    "turnarounds": {
        "code": "T-1",
        "name": "Spring",
        "starts_on": DAY,
        "ends_on": DAY,
        "areas": ["A-1", "A-2"],
        "scope_freeze_on": DAY,
    },
    "closures": {"code": "C-1", "name": "Works holiday", "starts_on": DAY, "ends_on": DAY},
    "consequence_targets": {
        "consequence": "stops",
        "rule": "least_cost",
        "target": 0.98,
        "cost_of_failure": Decimal("40000"),
    },
    "lots": {"storeroom": "S-1", "kit": "K-1", "lot": "L-1", "cured_on": DAY, "expires_on": DAY, "qty": 3},
    "reservations": {
        "ref": "R-1",
        "kit": "K-1",
        "storeroom": "S-1",
        "qty": 1,
        "needed_on": DAY,
        "turnaround": "T-1",
        "tag": "FV-1",
    },
    "issues": {
        "ref": "I-1",
        "kit": "K-1",
        "storeroom": "S-1",
        "issued_on": DAY,
        "qty": -1,
        "reason": "planned",
        "tag": "FV-1",
    },
    "scope_lines": {
        "turnaround": "T-1",
        "tag": "FV-1",
        "decision": "must_open",
        "reason": "leaks by",
        "decided_by": "planner",
    },
    "design_kits": {
        "design": "D-1",
        "maintainable_item": "trim",
        "kit": "K-1",
        "qty": 1,
        "on_opening": False,
    },
    "valves": {
        "tag": "FV-1",
        "serial": "0071",
        "design": "D-1",
        "service_class": "wet",
        "area": "A-1",
        "installed_on": "2019",
        "records_begin_on": DAY,
        "last_renewed_on": {"": "2019-01", "trim": "2020-05-01"},
        "removed_on": date(2023, 1, 1),
        "consequence": "stops",
        "safety_related": True,
        "isolable_on_run": False,
        "proof_test_due_on": DAY,
    },
    "events": {
        "ref": "W-1",
        "tag": "FV-1",
        "found_on": "2020-05",
        "done_on": "2020-05-01",
        "action": "rebuild",
        "reason": "failure",
        "turnaround": "T-1",
        "as_found": {"packing": "ok", "trim": "failed"},
        "failure_mode": "leaks",
        "last_ok_on": "2020",
        "renewed": ["packing", "trim"],
        "kits_used": {"K-1": 1, "K-2": 2},
        "service_class_from": "wet",
        "serial_fitted": "0072",
        "labour_hours": 6.5,
        "cost": Decimal("0.10"),
        "note": "seat\ncut",
    },
    "stock_settings": {
        "storeroom": "S-1",
        "kit": "K-1",
        "rule": "fill_rate",
        "target": 0.95,
        "floor_qty": 0,
        "present_reorder_point": 2,
        "present_order_quantity": 4,
    },
    "stock": {"storeroom": "S-1", "kit": "K-1", "on_hand": 3, "counted_on": DAY, "bin": "B-14-3"},
    "orders": {
        "ref": "O-1",
        "line": "10",
        "storeroom": "S-1",
        "kit": "K-1",
        "ordered_on": DAY,
        "due_on": DAY,
        "qty": 4,
        "received_on": DAY,
        "received_qty": 4,
    },
}


NEEDED = {
    "policies": {"policy", "interval_days"},
    "events": {"done_on", "action"},
    "closures": {"starts_on", "ends_on"},
    "stock": {"on_hand"},
    "lots": {"qty"},
    "orders": {"storeroom", "kit", "qty"},
    "reservations": {"qty"},
    "issues": {"issued_on", "qty"},
    "scope_lines": {"decision"},
}
CLEARABLE = {
    name: [column.name for column in file.columns if column.name not in {*file.key, *NEEDED.get(name, ())}]
    for name, file in FILES.items()
}
CELLS_OF_MANY = {column.name for file in FILES.values() for column in file.members}


def put(engines: Engines, file: str, *rows: dict[str, Any]) -> UpsertCounts:
    with write_session(engines) as session:
        return upsert(session, file, rows)


def read(engines: Engines, file: str) -> list[dict[str, Any]]:
    with read_session(engines) as session:
        return list(records.read_all(session, file))


def counts(done: UpsertCounts) -> tuple[int, int, int]:
    return done.created, done.changed, done.unchanged


def test_every_column_of_every_file_comes_back_as_it_went_in(engines: Engines) -> None:
    for file in FILES:
        assert counts(put(engines, file, FULL[file])) == (1, 0, 0), file
    for file in FILES:
        assert read(engines, file) == [FULL[file]], file
        assert list(read(engines, file)[0]) == [column.name for column in FILES[file].columns]


def test_the_same_rows_again_change_nothing(engines: Engines) -> None:
    for file in FILES:
        put(engines, file, FULL[file])
    before = dump(engines)
    for file in FILES:
        assert counts(put(engines, file, FULL[file])) == (0, 0, 1), file
    assert dump(engines) == before


def test_files_may_come_in_any_order(engines: Engines) -> None:
    """What is named before it is described ends up the same; only a valve must be there before its events."""
    first = ("valves", "events")
    late = [*first, *(file for file in reversed(FILES) if file not in first)]
    for file in late:
        put(engines, file, FULL[file])
    for file in FILES:
        assert read(engines, file) == [FULL[file]], file


@pytest.mark.parametrize("file", FILES)
def test_a_column_that_is_absent_keeps_its_value_and_an_empty_one_loses_it(engines: Engines, file: str) -> None:
    for name in FILES:
        put(engines, name, FULL[name])
    key = {name: FULL[file][name] for name in FILES[file].key}
    assert counts(put(engines, file, key)) == (0, 0, 1)
    for name in CLEARABLE[file]:
        assert counts(put(engines, file, key | {name: None})) == (0, 1, 0), name
    cleared = {name: type(FULL[file][name])() if name in CELLS_OF_MANY else None for name in CLEARABLE[file]}
    assert read(engines, file) == [FULL[file] | cleared]


def test_a_code_is_the_same_in_any_case_and_keeps_the_spelling_of_its_own_file(engines: Engines) -> None:
    put(engines, "valves", {"tag": "FV-1", "design": "d-1"}, {"tag": "FV-2", "design": "D-1"})
    assert counts(put(engines, "designs", {"code": "D-1", "name": "Globe"})) == (1, 0, 0)
    assert [valve["design"] for valve in read(engines, "valves")] == ["D-1", "D-1"]
    assert counts(put(engines, "valves", {"tag": "FV-1", "design": "d-1"})) == (0, 0, 1)
    assert counts(put(engines, "valves", {"tag": "fv-1"})) == (0, 1, 0)
    assert [valve["tag"] for valve in read(engines, "valves")] == ["fv-1", "FV-2"]


def test_codes_named_but_not_described_become_stubs_and_are_listed(engines: Engines) -> None:
    done = put(engines, "valves", {"tag": "FV-1", "design": "D-1", "service_class": "wet", "area": "A-1"})
    assert done.named_but_not_described == {
        "designs": ["D-1"],
        "service_classes": ["wet"],
        "areas": ["A-1"],
    }
    assert read(engines, "designs") == []
    put(engines, "areas", {"code": "a-1"})
    with read_session(engines) as session:
        assert records.undescribed(session) == [("service_classes", "wet"), ("designs", "D-1")]
        assert records.known_codes(session, "areas") == {"a-1"}


def test_a_kit_superseded_by_a_kit_of_the_same_file_is_no_stub(engines: Engines) -> None:
    done = put(
        engines,
        "kits",
        {"code": "K-1", "superseded_by": "K-2"},
        {"code": "K-2", "superseded_by": "K-3"},
    )
    assert counts(done) == (2, 0, 0)
    assert done.named_but_not_described == {"kits": ["K-3"]}


def test_a_valve_is_created_by_an_event_that_names_it_and_by_nothing_else(engines: Engines) -> None:
    issue = {"ref": "I-1", "kit": "K", "storeroom": "MAIN", "issued_on": date(2020, 1, 1), "qty": 1, "tag": "FV-9"}
    with pytest.raises(NotFound, match="valves has no FV-9"), write_session(engines) as session:
        upsert(session, "issues", [issue])
    assert read(engines, "valves") == []
    report = put(engines, "events", REBUILD | {"tag": "FV-9"}, REBUILD | {"tag": "fv-9", "action": "inspect"})
    assert (counts(report), report.named_but_not_described) == ((2, 0, 0), {"valves": ["FV-9"]})
    assert [valve["tag"] for valve in read(engines, "valves")] == ["FV-9"]
    assert counts(put(engines, "issues", issue)) == (1, 0, 0)


def test_events_without_ref_are_counted_among_their_like(engines: Engines) -> None:
    """Two rebuilds of one valve on one day are two; the same file again adds none."""
    put(engines, "valves", {"tag": "FV-1"})
    rows = [REBUILD | {"note": "first"}, REBUILD | {"note": "second"}, REBUILD | {"action": "inspect"}]
    assert counts(put(engines, "events", *rows)) == (3, 0, 0)
    assert counts(put(engines, "events", *rows)) == (0, 0, 3)
    assert counts(put(engines, "events", *rows, REBUILD | {"note": "third"})) == (1, 0, 3)
    notes = [event["note"] for event in read(engines, "events") if event["action"] == "rebuild"]
    assert notes == ["first", "second", "third"]


def test_more_than_nine_like_events_keep_their_order(engines: Engines) -> None:
    put(engines, "valves", {"tag": "FV-1"})
    put(engines, "events", *(REBUILD | {"note": str(number)} for number in range(12)))
    assert [event["note"] for event in read(engines, "events")] == [str(number) for number in range(12)]


def test_one_work_order_may_cover_several_valves(engines: Engines) -> None:
    put(engines, "valves", {"tag": "FV-1"}, {"tag": "FV-2"})
    rows = [REBUILD | {"ref": "W-1"}, REBUILD | {"ref": "W-1", "tag": "FV-2"}]
    assert counts(put(engines, "events", *rows)) == (2, 0, 0)
    assert counts(put(engines, "events", {"ref": "w-1", "tag": "fv-2", "note": "late"})) == (0, 1, 0)
    assert [event["note"] for event in read(engines, "events")] == [None, "late"]


def test_many_codes_in_a_cell_are_a_set(engines: Engines) -> None:
    put(engines, "kits", {"code": "K-1", "renews": ["trim", "packing"]})
    assert counts(put(engines, "kits", {"code": "K-1", "renews": ["PACKING", "trim"]})) == (0, 0, 1)
    assert counts(put(engines, "kits", {"code": "K-1", "renews": ["seat", "trim"]})) == (0, 1, 0)
    assert read(engines, "kits")[0]["renews"] == ["seat", "trim"]


def test_rows_are_read_in_one_order_on_every_database(engines: Engines) -> None:
    """By code point of the code without case, whatever the language of the server."""
    codes = ["b", "A", "a-1", "Z", "_", "10", "9", "Ä", "z/1"]
    put(engines, "designs", *({"code": code} for code in codes))
    expected = ["10", "9", "_", "A", "a-1", "b", "Z", "z/1", "Ä"]
    assert [design["code"] for design in read(engines, "designs")] == expected


def test_preview_shows_rows_as_they_would_be_and_stores_nothing(engines: Engines) -> None:
    put(engines, "kits", FULL["kits"])
    before = dump(engines)
    with read_session(engines) as session:
        old, new = records.preview(session, "kits", [{"code": "k-1", "pack_qty": None}, {"code": "K-9"}])
    assert old == FULL["kits"] | {"code": "k-1", "pack_qty": None}
    assert new == {"code": "K-9"}
    assert dump(engines) == before


def test_the_number_of_statements_does_not_follow_the_number_of_rows(sqlite_engines: Engines) -> None:
    """A round trip per row would make a large import slow on a server far away."""
    put(sqlite_engines, "valves", *({"tag": f"FV-{number}"} for number in range(100)))
    rows = [
        {
            "tag": f"FV-{number % 100}",
            "done_on": "2020-05-01",
            "action": "rebuild",
            "renewed": ["trim"],
            "kits_used": {"K": 1},
        }
        for number in range(3000)
    ]
    executed: list[str] = []
    event.listen(sqlite_engines.writer, "before_cursor_execute", lambda *args: executed.append(args[2]))
    put(sqlite_engines, "events", *rows)
    assert len(read(sqlite_engines, "events")) == 3000
    assert len(executed) < 60


def test_tags_that_nothing_but_events_name_are_made_at_once(engines: Engines) -> None:
    """Their ids are known as they are made: they are looked for once, not again."""
    rows = [{"tag": f"FV-{number}", "done_on": "2020-05-01", "action": "rebuild"} for number in range(3000)]
    executed: list[str] = []
    event.listen(engines.writer, "before_cursor_execute", lambda *args: executed.append(args[2]))
    report = put(engines, "events", *rows, {"tag": "fv-7", "done_on": "2021-05-01", "action": "rebuild"})
    assert len(report.named_but_not_described["valves"]) == 3000
    assert sorted(row["tag"] for row in read(engines, "events")) == sorted(["FV-7", *(row["tag"] for row in rows)])
    looked = [one for one in executed if "FROM valves" in one and "valves.tag_key IN" in one]
    assert len(looked) == 3000 // CHUNK
    assert counts(put(engines, "valves", {"tag": "FV-X"})) == (1, 0, 0)


def test_a_life_without_end_and_a_number_of_days_are_told_apart(engines: Engines) -> None:
    lives = {"FKM": "unlimited", "NBR": 2190, "PTFE": None}
    put(engines, "materials", *({"code": code, "storage_life_days": life} for code, life in lives.items()))
    assert {row["code"]: row["storage_life_days"] for row in read(engines, "materials")} == lives


def test_a_turnaround_that_events_name_is_a_stub_until_it_is_described(engines: Engines) -> None:
    put(engines, "valves", {"tag": "FV-1"})
    done = put(engines, "events", REBUILD | {"turnaround": "TA-1"})
    assert done.named_but_not_described == {"turnarounds": ["TA-1"]}
    assert read(engines, "turnarounds") == []
    assert counts(put(engines, "turnarounds", {"code": "ta-1", "areas": ["A-1"]})) == (1, 0, 0)
    assert read(engines, "events")[0]["turnaround"] == "ta-1"


def test_a_day_known_to_the_month_is_another_day_than_its_first(engines: Engines) -> None:
    """The key of an event without ref holds what is known, so a closer look makes another event."""
    put(engines, "valves", {"tag": "FV-1"})
    days = ["2020", "2020-05", "2020-05-01"]
    assert counts(put(engines, "events", *(REBUILD | {"done_on": day} for day in days))) == (3, 0, 0)
    assert [row["done_on"] for row in read(engines, "events")] == days
