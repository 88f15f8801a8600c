"""Workbooks: typed cells out, the same values back, and what only a workbook can get wrong."""

from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from io import BytesIO
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from service.csv_cells import day_columns
from service.csv_tables import ParsedTable, parse_table
from service.schemas.records import RECORDS
from service.workbook_tables import write_workbook
from tests.service.test_csv_tables import EVENTS, KITS, VALVES

CI = settings(max_examples=60, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def workbook(*rows: list[Any], change: Callable[[Any], None] = lambda sheet: None) -> BytesIO:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    change(sheet)
    stream = BytesIO()
    book.save(stream)
    stream.seek(0)
    return stream


def moment(*parts: int) -> datetime:
    year, month, day, *rest = parts
    return datetime(year, month, day, *rest)  # type: ignore[arg-type] # noqa: DTZ001 (a cell has no zone)


def places(table: ParsedTable) -> list[tuple[int | None, str | None, str]]:
    return [(error.line, error.column, error.value) for error in table.errors]


def test_typed_cells_are_read_as_what_they_are() -> None:
    header = ["code", "name", "unit_cost", "priced_on", "pack_qty", "old_fits_new_need", "lead_time_sd_days"]
    stream = workbook(
        header,
        ["0071", "Seal", 12.5, date(2024, 2, 29), 2, True, 0.1 + 0.2],
        [72, "=1+1 as text", "3.50", moment(2024, 3, 1), 3.0, "no", None],
        [None, None],
        ["K-3"],
        change=lambda sheet: setattr(sheet["B3"], "data_type", "s"),
    )
    table = parse_table("kits", stream)
    assert table.errors == []
    assert [list(row.values()) for row in table.rows] == [
        ["0071", "Seal", Decimal("12.5"), date(2024, 2, 29), 2, True, 0.3],
        ["72", "=1+1 as text", Decimal("3.50"), date(2024, 3, 1), 3, False, None],
        ["K-3", None, None, None, None, None, None],
    ]
    assert table.lines == [2, 3, 5]


def test_a_day_of_a_partial_column_may_be_a_date_a_year_or_text() -> None:
    stream = workbook(["tag", "installed_on"], ["V1", date(2015, 4, 1)], ["V2", 2015], ["V3", "2015-04"])
    assert [row["installed_on"] for row in parse_table("valves", stream).rows] == ["2015-04-01", "2015", "2015-04"]


def test_what_a_spreadsheet_spoiled_is_told() -> None:
    """A date with a time, a serial number, a long number, a failed formula, one never computed."""
    header = ["tag", "installed_on", "serial"]
    stream = workbook(
        header,
        ["V1", moment(2015, 4, 1, 10, 30), None],
        ["V2", 42095, None],
        ["V3", None, 12345678901234567890],
        ["V4", None, "#N/A"],
        ["V5", None, "=A1"],
        change=lambda sheet: setattr(sheet["C5"], "data_type", "e"),
    )
    table = parse_table("valves", stream)
    assert places(table) == [
        (2, "installed_on", "2015-04-01 10:30:00"),
        (3, "installed_on", "42095"),
        (4, "serial", "1.23457e+19"),
        (5, "serial", "#N/A"),
        (6, "serial", "=A1"),
    ]
    assert "save the workbook once" in table.errors[-1].expected
    assert table.rows == []


def test_only_the_first_sheet_is_read() -> None:
    stream = workbook(["code"], ["K-1"], change=lambda sheet: sheet.parent.create_sheet("more").append(["nonsense"]))
    assert parse_table("kits", stream).rows == [{"code": "K-1"}]


def entry(name: str, content: bytes) -> BytesIO:
    stream = BytesIO()
    with ZipFile(stream, "w", ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    stream.seek(0)
    return stream


@pytest.mark.parametrize(
    ("stream", "value"),
    [
        (entry("a.txt", b"x"), "no workbook that can be read"),
        (BytesIO(b"PK\x03\x04nonsense"), "no zip archive that can be read"),
        (BytesIO(b"\xd0\xcf\x11\xe0" + bytes(600)), "an old workbook (.xls)"),
        (
            entry("xl/worksheets/sheet1.xml", bytes(9_000_000)),
            "xl/worksheets/sheet1.xml unpacks to more than 200 times",
        ),
        (entry("../../evil.xml", b"x"), "'../../evil.xml' names a place outside the archive"),
    ],
    ids=["zip", "broken", "xls", "bomb", "path"],
)
def test_what_is_no_workbook_is_refused(stream: BytesIO, value: str) -> None:
    table = parse_table("kits", stream)
    assert len(table.errors) == 1
    assert table.errors[0].value.startswith(value)
    assert (table.errors[0].line, table.rows) == (None, [])


@pytest.mark.parametrize(("file", "records"), [("kits", KITS), ("events", EVENTS), ("valves", VALVES)])
@given(data=st.data())
@CI
def test_what_is_written_is_read_back(
    file: str, records: st.SearchStrategy[dict[str, Any]], data: st.DataObject
) -> None:
    """Formula signs, control characters and line ends survive; text stays text."""
    given_rows = data.draw(st.lists(records, max_size=3))
    columns = [name for name in RECORDS[file].__struct_fields__ if not given_rows or name in given_rows[0]]
    days = day_columns(RECORDS[file])
    with write_workbook(columns, given_rows, days=days) as stream:
        table = parse_table(file, stream)
    assert table.errors == []
    assert table.rows == given_rows


def test_cells_leave_typed() -> None:
    row = {"code": "0071", "name": "=1+1", "cost": Decimal("0.10"), "on": "2024-02-29", "in": "2024-02", "flag": False}
    row |= {"old": date(1899, 12, 31), "long": Decimal("123456789012.123456")}
    with write_workbook(list(row), [row], days=["on", "in"]) as stream:
        sheet = load_workbook(stream).worksheets[0]
    values = [cell.value for cell in list(sheet.rows)[1]]
    assert values == [
        "0071",
        "'=1+1",
        0.1,
        moment(2024, 2, 29),
        "2024-02",
        False,
        "1899-12-31",
        "123456789012.123456",
    ]
