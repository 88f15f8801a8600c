"""A file read in parts is what it would be in one: numbers, repeats and errors reach over the edges of parts."""

from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import pytest

from models.engine import Engines
from models.queries import records
from models.queries.identities import Counting
from service import csv_tables, spooled_tables
from service.db import read_session
from service.spooled_tables import spooled
from service.use_cases.import_files import ImportRejected, ImportReport, import_files
from tests.service.test_import_files import TODAY

VALVES = "tag\n" + "".join(f"FV-{number}\n" for number in range(5))
EVENTS = "ref,tag,done_on,action,note\n" + "".join(
    f"{ref},FV-{tag},2020-05-01,rebuild,{note}\n"
    for note, (ref, tag) in enumerate([("", 1), ("", 2), ("", 1), ("W", 1), ("", 3), ("", 1), ("", 2), ("W", 2)])
)


@pytest.fixture(params=[1, 2, 3, 5, 2000])
def part_rows(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    rows: int = request.param
    monkeypatch.setattr(csv_tables, "CHUNK_ROWS", rows)
    return rows


def bring_in(engines: Engines, **files: str) -> ImportReport:
    contents: dict[str, BinaryIO | Path] = {f"{name}.csv": BytesIO(text.encode()) for name, text in files.items()}
    return import_files(engines, contents, today=TODAY)


def test_events_are_numbered_over_all_parts(sqlite_engines: Engines, part_rows: int) -> None:
    assert [file.created for file in bring_in(sqlite_engines, valves=VALVES, events=EVENTS).files] == [5, 8]
    with read_session(sqlite_engines) as session:
        notes = [event["note"] for event in records.read_all(session, "events")]
    assert notes == ["3", "0", "2", "5", "7", "1", "6", "4"]
    assert bring_in(sqlite_engines, events=EVENTS).files[0].unchanged == 8


def test_a_repeat_in_a_later_part_names_the_line_of_the_first(sqlite_engines: Engines, part_rows: int) -> None:
    with pytest.raises(ImportRejected, match="2 errors") as caught:
        bring_in(sqlite_engines, valves=VALVES + "fv-0\n", events=EVENTS + "w,fv-1,2021-05-01,rebuild,\n")
    told = [(error.file, error.line, error.expected) for error in caught.value.errors]
    assert told == [
        ("valves.csv", 7, "each tag once; line 2 has it already"),
        ("events.csv", 10, "each ref and tag once; line 5 has it already"),
    ]


def test_errors_of_all_parts_come_in_the_order_of_lines(sqlite_engines: Engines, part_rows: int) -> None:
    bad = "tag,installed_on\n" + "".join(f"FV-{number},{'soon' if number % 3 == 0 else ''}\n" for number in range(9))
    with pytest.raises(ImportRejected, match="^3 errors") as caught:
        bring_in(sqlite_engines, valves=bad)
    assert [error.line for error in caught.value.errors] == [2, 5, 8]


def test_a_kit_described_in_a_later_part_is_not_listed_as_named_only(sqlite_engines: Engines, part_rows: int) -> None:
    kits = "code,superseded_by\nK-1,K-2\nK-9,K-8\nK-2,\nK-3,\n"
    report = bring_in(sqlite_engines, kits=kits)
    assert (report.files[0].created, report.named_but_not_described) == (4, {"kits": ["K-8"]})


def test_kits_in_a_circle_are_found_over_the_edges_of_parts(sqlite_engines: Engines, part_rows: int) -> None:
    with pytest.raises(ImportRejected, match="3 errors"):
        bring_in(sqlite_engines, kits="code,superseded_by\nK-1,K-2\nK-2,K-3\nK-3,K-1\n")


def test_what_is_known_of_a_whole_file_are_the_keys_that_repeat() -> None:
    text = "code\n" + "".join(f"K-{number % 97}\n" for number in range(100))
    with spooled("kits", BytesIO(text.encode()), source="kits.csv", dates="iso") as table:
        assert table.repeated == {hash((f"k-{number}",)) for number in range(3)}
        assert [part.lines for part in table.parts()] == [part.lines for part in table.parts()]


def test_a_likeness_that_does_not_repeat_is_not_counted() -> None:
    counting = Counting(repeated={hash(("v", "2020", "rebuild"))})
    assert [counting.number(("v", "2020", "rebuild")) for _ in range(3)] == [1, 2, 3]
    assert counting.number(("w", "2020", "rebuild")) == 1
    assert ("w", "2020", "rebuild") not in counting.counted


def test_only_the_first_errors_are_kept_but_all_are_counted(
    sqlite_engines: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spooled_tables, "ERRORS_KEPT", 5)
    with pytest.raises(ImportRejected, match="^30 errors in the files; nothing was imported$") as caught:
        bring_in(sqlite_engines, valves="tag,installed_on\n" + "".join(f"V-{number},soon\n" for number in range(30)))
    assert [error.line for error in caught.value.errors] == [2, 3, 4, 5, 6]
