"""Import: all files or none, in any order, each error with its place, and the database as before."""

from collections.abc import Mapping
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import pytest

from models.engine import Engines
from models.queries import records
from models.queries.files import FILES
from seed_demo import write_demo_plant
from service.csv_tables import write_table
from service.db import read_session
from service.use_cases.import_files import (
    ImportedFile,
    ImportRejected,
    ImportReport,
    check_files,
    import_files,
)
from tests.database_dump import dump

TODAY = date(2024, 6, 30)

VALVES = (
    "tag,design,service_class,area,installed_on\r\n"
    "FV-1,D-1,wet,A-1,2012-03-01\r\n"
    "FV-2,D-1,wet,A-1,\r\n"
    "FV-3,D-2,dry,A-1,2015-06-30\r\n"
)
EVENTS = "tag,done_on,action\r\nFV-1,2016-05-01,rebuild\r\nFV-2,2016-05-01,rebuild\r\nFV-2,2019-05-01,exchange\r\n"
TWO_FILES = {"events.csv": EVENTS, "valves.csv": VALVES}


def streams(files: Mapping[str, str]) -> dict[str, BinaryIO | Path]:
    return {name: BytesIO(text.encode()) for name, text in files.items()}


def bring_in(engines: Engines, files: Mapping[str, str]) -> ImportReport:
    return import_files(engines, streams(files), today=TODAY)


def rejected(engines: Engines, files: Mapping[str, str]) -> list[tuple[str, int | None, str | None, str]]:
    """Import, see it refused and the database unchanged, and give the places of the errors."""
    before = dump(engines)
    for run in (import_files, check_files):
        with pytest.raises(ImportRejected, match="nothing was imported") as caught:
            run(engines, streams(files), today=TODAY)
    assert dump(engines) == before
    assert all(error.expected for error in caught.value.errors)
    return [(error.file, error.line, error.column, error.value) for error in caught.value.errors]


def read(engines: Engines, file: str) -> list[dict[str, Any]]:
    with read_session(engines) as session:
        return list(records.read_all(session, file))


def test_a_plant_starts_with_two_files(engines: Engines) -> None:
    """Events may come first; codes that nobody described are created and listed."""
    report = bring_in(engines, TWO_FILES)
    assert report == ImportReport(
        files=[
            ImportedFile("valves", created=3, changed=0, unchanged=0),
            ImportedFile("events", created=3, changed=0, unchanged=0),
        ],
        named_but_not_described={
            "designs": ["D-1", "D-2"],
            "service_classes": ["wet", "dry"],
            "areas": ["A-1"],
        },
    )
    assert [valve["installed_on"] for valve in read(engines, "valves")] == [
        "2012-03-01",
        None,
        "2015-06-30",
    ]
    assert [event["tag"] for event in read(engines, "events")] == ["FV-1", "FV-2", "FV-2"]


def test_the_same_files_again_change_nothing(engines: Engines) -> None:
    bring_in(engines, TWO_FILES)
    before = dump(engines)
    report = bring_in(engines, TWO_FILES)
    assert report.files == [ImportedFile("valves", 0, 0, 3), ImportedFile("events", 0, 0, 3)]
    assert report.named_but_not_described == {}
    assert dump(engines) == before


def test_either_delimiter_with_or_without_byte_order_mark_is_the_same_import(engines: Engines) -> None:
    bring_in(engines, TWO_FILES)
    before = dump(engines)
    for mark in ("", "\ufeff"):
        for delimiter in (",", ";"):
            other = {name: mark + text.replace(",", delimiter) for name, text in TWO_FILES.items()}
            assert [file.unchanged for file in bring_in(engines, other).files] == [3, 3]
    assert dump(engines) == before


def test_a_check_says_what_an_import_would_do_and_does_not_do_it(engines: Engines) -> None:
    bring_in(engines, {"valves.csv": VALVES})
    before = dump(engines)
    changed = {"events.csv": EVENTS, "valves.csv": "tag,area\r\nFV-1,A-2\r\nFV-4,A-1\r\n"}
    checked = check_files(engines, streams(changed), today=TODAY)
    assert dump(engines) == before
    assert checked == bring_in(engines, changed)
    assert checked.files[0] == ImportedFile("valves", created=1, changed=1, unchanged=0)


def test_an_absent_column_leaves_a_value_and_an_empty_cell_clears_it(engines: Engines) -> None:
    bring_in(engines, {"valves.csv": VALVES})
    bring_in(engines, {"valves.csv": "tag,installed_on\r\nFV-1,\r\n"})
    first = read(engines, "valves")[0]
    assert (first["design"], first["installed_on"]) == ("D-1", None)


def test_a_later_file_may_change_one_column_of_events_with_a_ref(engines: Engines) -> None:
    """Costs come from the accounts, keyed by the work order alone."""
    bring_in(engines, {"valves.csv": VALVES, "events.csv": "ref,tag,done_on,action\nW-1,FV-1,2016-05-01,rebuild"})
    bring_in(engines, {"events.csv": "ref,tag,cost\nw-1,fv-1,812.50\n"})
    (event,) = read(engines, "events")
    assert (event["action"], str(event["cost"])) == ("rebuild", "812.50")


def test_files_are_read_from_a_folder_too(engines: Engines, tmp_path: Path) -> None:
    for name, text in TWO_FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    report = import_files(engines, {path.name: path for path in tmp_path.iterdir()}, today=TODAY)
    assert [file.created for file in report.files] == [3, 3]


BAD_CELLS = [
    ("valves", "", (1, None, "")),
    ("valves", "tag,colour\nFV-1,red", (1, "colour", "colour")),
    ("valves", "tag,tag\nFV-1,FV-1", (1, "tag", "tag")),
    ("valves", "design\nD-1", (1, "tag", "")),
    ("valves", "tag,design\nFV-1", (2, None, "1 of 2 cells")),
    ("valves", "tag\nFV-1\n\0", (3, None, "\\0")),
    ("valves", 'tag\n"FV-1', (2, None, "unexpected end of data")),
    ("valves", "tag,installed_on\nFV-1,2015-02-30", (2, "installed_on", "2015-02-30")),
    ("kits", "code;unit_cost\nK-1;1,5\nK-2;1.5", (3, "unit_cost", "1.5")),
    ("kits", "code,pack_qty\nK-1,0", (2, "pack_qty", "0")),
    ("events", "tag,done_on,action\nFV-1,2016-05-01,repair", (2, "action", "repair")),
    ("events", "tag,done_on,action,reason\nFV-1,2016-05-01,rebuild,wear", (2, "reason", "wear")),
    ("policies", "service_class,maintainable_item,policy\nwet,trim,never", (2, "policy", "never")),
]

BROKEN_RULES = [
    ("events", "ref,tag\n,FV-1", [(2, "done_on", ""), (2, "action", "")]),
    ("events", "ref,tag\nW-1,FV-1", [(2, "done_on", ""), (2, "action", "")]),
    ("scope_lines", "turnaround,tag,decision\nT,FV-9,must_open", [(2, "tag", "FV-9")]),
    ("events", "tag,done_on,action\nFV-1,2024-07-01,rebuild", [(2, "done_on", "2024-07-01")]),
    (
        "events",
        "tag,found_on,done_on,action\nFV-1,2016-05-02,2016-05-01,rebuild",
        [(2, "found_on", "2016-05-02")],
    ),
    (
        "events",
        "tag,last_ok_on,found_on,done_on,action\nFV-1,2016-05-02,2016-05-01,2016-05-03,rebuild",
        [(2, "last_ok_on", "2016-05-02")],
    ),
    (
        "events",
        "ref,tag,done_on,action\nW-1,FV-1,2016-05-01,rebuild\nw-1,fv-1,2017-05-01,rebuild",
        [(3, "ref", "w-1")],
    ),
    ("valves", "tag\nFV-7\nFV-8\nfv-7", [(4, "tag", "fv-7")]),
    ("valves", "tag,removed_on\nFV-1,2012-02-29", [(2, "removed_on", "2012-02-29")]),
    ("policies", "service_class,maintainable_item,policy\nwet,trim,predetermined", [(2, "interval_days", "")]),
    (
        "policies",
        "service_class,maintainable_item,policy,interval_days\nwet,trim,corrective,90",
        [(2, "interval_days", "90")],
    ),
    ("policies", "service_class,maintainable_item\nwet,trim", [(2, "policy", "")]),
    ("stock", "storeroom,kit\nS-1,K-1", [(2, "on_hand", "")]),
    ("stock", "storeroom,kit,on_hand,counted_on\nS-1,K-1,1,2024-07-01", [(2, "counted_on", "2024-07-01")]),
    (
        "orders",
        "ref,line\nO-1,1",
        [(2, "storeroom", ""), (2, "kit", ""), (2, "qty", "")],
    ),
    ("kits", "code,superseded_by\nK-1,k-1", [(2, "superseded_by", "k-1")]),
    (
        "kits",
        "code,superseded_by\nK-1,K-2\nK-2,K-3\nK-3,K-1\nK-4,K-1",
        [(2, "superseded_by", "K-2"), (3, "superseded_by", "K-3"), (4, "superseded_by", "K-1")],
    ),
]


@pytest.mark.parametrize(("file", "text", "where"), BAD_CELLS)
def test_a_bad_file_changes_nothing_and_says_where(
    engines: Engines, file: str, text: str, where: tuple[int, str | None, str]
) -> None:
    bring_in(engines, TWO_FILES)
    assert rejected(engines, {f"{file}.csv": text}) == [(f"{file}.csv", *where)]


@pytest.mark.parametrize(("file", "text", "where"), BROKEN_RULES)
def test_a_broken_rule_changes_nothing_and_says_where(
    engines: Engines, file: str, text: str, where: list[tuple[int, str | None, str]]
) -> None:
    bring_in(engines, TWO_FILES)
    assert rejected(engines, {f"{file}.csv": text}) == [(f"{file}.csv", *place) for place in where]


def test_levels_and_times_that_can_not_be_are_refused_where_they_stand(engines: Engines) -> None:
    """Negative times, prices and quantities, packs of none, targets of nothing and of certainty, all at once."""
    files = {
        "kits.csv": "code,unit_cost,lead_time_days,lead_time_sd_days,min_order_qty,pack_qty,shelf_life_days\n"
        "K-1,-1,-2,-3,-4,0,-5\nK-2,1e400,0.5,much,1.5,-1,soon\n",
        "storerooms.csv": "code,review_period_days\nS-1,-1\n",
        "stock_settings.csv": "storeroom,kit,rule,target,floor_qty,present_reorder_point\nS-1,K-1,lowest,1.0,-1,-2\n"
        "S-1,K-2,fill_rate,0,0,0\n",
        "consequence_targets.csv": "consequence,target,cost_of_failure\nstops,95,-1\n",
    }
    wrong = {file: [place[3] for place in rejected(engines, files) if place[0] == file] for file in files}
    assert wrong["kits.csv"] == ["-1", "-2", "-3", "-4", "0", "-5", "1e400", "0.5", "much", "1.5", "-1", "soon"]
    assert wrong["storerooms.csv"] == ["-1"]
    assert wrong["stock_settings.csv"] == ["lowest", "1.0", "-1", "-2", "0"]
    assert wrong["consequence_targets.csv"] == ["95", "-1"]


def test_one_bad_line_holds_back_every_file(engines: Engines) -> None:
    files = {"designs.csv": "code\nD-1\n", "valves.csv": VALVES, "events.csv": EVENTS + "FV-1,soon,rebuild\r\n"}
    assert rejected(engines, files) == [("events.csv", 5, "done_on", "soon")]


def test_all_errors_of_all_files_come_together(engines: Engines) -> None:
    """Bad cells and broken rules alike; a valve left out for its own error is not missed by its events."""
    files = {
        "valves.csv": "tag,installed_on\nFV-1,soon\nFV-2,2012-01-01\nFV-2,\n",
        "events.csv": "tag,done_on,action\nFV-1,2016-05-01,rebuild\nFV-2,2025-01-01,rebuild\nFV-2,now,fix\n",
    }
    assert rejected(engines, files) == [
        ("valves.csv", 2, "installed_on", "soon"),
        ("valves.csv", 4, "tag", "FV-2"),
        ("events.csv", 3, "done_on", "2025-01-01"),
        ("events.csv", 4, "done_on", "now"),
        ("events.csv", 4, "action", "fix"),
    ]


def test_a_rule_holds_for_the_record_as_it_would_be(engines: Engines) -> None:
    """The file alone is fine; with what is stored beside it, it is not."""
    stored = "ref,tag,found_on,done_on,action\nW-1,FV-1,2016-05-01,2016-05-02,rebuild"
    bring_in(engines, {"valves.csv": VALVES, "events.csv": stored})
    earlier = {"events.csv": "ref,tag,done_on\nW-1,FV-1,2016-04-30"}
    assert rejected(engines, earlier) == [("events.csv", 2, "found_on", "2016-05-01")]


def test_a_circle_of_kits_may_be_closed_by_neither_file(engines: Engines) -> None:
    bring_in(engines, {"kits.csv": "code,superseded_by\nK-1,K-2\nK-2,K-3"})
    assert rejected(engines, {"kits.csv": "code,superseded_by\nk-3,k-1"}) == [("kits.csv", 2, "superseded_by", "k-1")]
    bring_in(engines, {"kits.csv": "code,superseded_by\nK-1,\nK-3,K-1"})


@pytest.mark.parametrize("name", ["valve.csv", "valves.txt", "valves", "runs.csv"])
def test_an_unknown_file_is_refused_with_the_names_of_those_known(engines: Engines, name: str) -> None:
    assert rejected(engines, {**TWO_FILES, name: ""}) == [(name, None, None, name)]


def test_the_error_about_an_unknown_file_lists_all_of_them(sqlite_engines: Engines) -> None:
    with pytest.raises(ImportRejected, match="^1 error in the files; nothing was imported$") as caught:
        bring_in(sqlite_engines, {"valve.csv": ""})
    assert caught.value.errors[0].expected == "one of " + ", ".join(f"{name}.csv" for name in FILES) + "; or .xlsx"
    assert len(FILES) == 24


def test_a_file_given_twice_is_refused(sqlite_engines: Engines) -> None:
    assert rejected(sqlite_engines, {"valves.csv": VALVES, "Valves.CSV": VALVES}) == [
        ("Valves.CSV", None, None, "Valves.CSV")
    ]


def export(engines: Engines, dialect: Any) -> dict[str, str]:
    columns = {name: [column.name for column in file.columns] for name, file in FILES.items()}
    return {f"{name}.csv": "".join(write_table(columns[name], read(engines, name), dialect=dialect)) for name in FILES}


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo_plant(folder)
    return folder


@pytest.mark.parametrize("dialect", ["comma", "semicolon"])
def test_the_demo_plant_comes_in_goes_out_and_comes_back(engines: Engines, demo_folder: Path, dialect: str) -> None:
    """Thousands of rows with the mess of real records: exported and imported again, nothing is new."""
    files = {path.name: path for path in demo_folder.glob("*.csv")}
    created = import_files(engines, files, today=TODAY.replace(year=2100)).files
    assert sum(file.created for file in created) > 4000
    assert all(file.changed == file.unchanged == 0 for file in created)
    before = dump(engines)
    back = import_files(engines, streams(export(engines, dialect)), today=TODAY.replace(year=2100)).files
    assert [(file.file, file.created, file.changed) for file in back] == [(name, 0, 0) for name in FILES]
    assert dump(engines) == before
