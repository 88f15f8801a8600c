"""Rows to a workbook (.xlsx): the columns of the CSV file, numbers and days as such, codes and other text as text."""

import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, BinaryIO, cast

import xlsxwriter

from models.base import Conflict
from models.partial_days import PARTIAL_DAY_LENGTH
from service.csv_cells import cell_text

FIRST_SAFE_DAY = date(1900, 3, 1)  # spreadsheets believe in a 29 February 1900 just before it
LONGEST_TEXT = 32_767
SPOOL_MEMORY = 1024 * 1024


def write_workbook(
    columns: Sequence[str], rows: Iterable[Mapping[str, object]], *, days: Iterable[str] = ()
) -> BinaryIO:
    """Write rows as the only sheet of a workbook.

    Parameters
    ----------
    columns : sequence of str
        The header; what a row holds besides is not written.
    rows : iterable of mapping
        As for `service.csv_tables.write_table`.
    days : iterable of str
        Columns whose text is a day, where it is known to the day.

    Returns
    -------
    binary file
        At its beginning; the caller closes it.

    Raises
    ------
    Conflict
        If a text is longer than a cell can hold.
    """  # noqa: DOC502 (raised by _write_text)
    target = tempfile.SpooledTemporaryFile(SPOOL_MEMORY)  # noqa: SIM115 (the caller's)
    dated = frozenset(days)
    book = xlsxwriter.Workbook(target, {"constant_memory": True, "default_date_format": "yyyy-mm-dd"})
    sheet = book.add_worksheet()
    for place, name in enumerate(columns):
        sheet.write_string(0, place, name)
    for number, row in enumerate(rows, start=1):
        for place, name in enumerate(columns):
            value = row.get(name)
            if value is not None:
                _write(sheet, number, place, _day(value) if name in dated else value)
    book.close()
    target.seek(0)
    return cast("BinaryIO", target)


def _day(value: object) -> object:
    known = isinstance(value, str) and len(value) == PARTIAL_DAY_LENGTH
    return date.fromisoformat(cast("str", value)) if known else value


def _write(sheet: Any, row: int, place: int, value: object) -> None:
    write = next((WRITERS[kind] for kind in type(value).__mro__ if kind in WRITERS), _write_text)
    write(sheet, row, place, value)


def _write_text(sheet: Any, row: int, place: int, value: object) -> None:
    text = cell_text(value, decimal_mark=".")
    if len(text) > LONGEST_TEXT:
        raise Conflict(f"row {row + 1} holds a text of {len(text)} characters; a workbook's cell takes {LONGEST_TEXT}")
    if text:
        sheet.write_string(row, place, text)


def _write_day(sheet: Any, row: int, place: int, value: date) -> None:
    if value < FIRST_SAFE_DAY:
        _write_text(sheet, row, place, value)
    else:
        sheet.write_datetime(row, place, value)


def _write_decimal(sheet: Any, row: int, place: int, value: Decimal) -> None:
    if Decimal(repr(float(value))) == value:
        sheet.write_number(row, place, float(value))
    else:
        _write_text(sheet, row, place, value)


WRITERS: dict[type, Callable[[Any, int, int, Any], None]] = {
    bool: lambda sheet, row, place, value: sheet.write_boolean(row, place, value),
    int: lambda sheet, row, place, value: sheet.write_number(row, place, value),
    float: lambda sheet, row, place, value: sheet.write_number(row, place, value),
    Decimal: _write_decimal,
    datetime: _write_text,  # a workbook knows no offset from UTC
    date: _write_day,
}
