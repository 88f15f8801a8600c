"""Sheets for people to read and reckon with: typed cells, number formats, a header that stays in sight."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, BinaryIO

import xlsxwriter

from service.csv_cells import cell_text

FORMATS: dict[type, str] = {str: "@", int: "0", float: "0.00", Decimal: "#,##0.00", date: "yyyy-mm-dd"}
WIDTHS: dict[type, int] = {str: 16, int: 10, float: 11, Decimal: 12, date: 12}
LONG_TEXT, LONG_WIDTH = 24, 60


@dataclass(frozen=True, kw_only=True)
class Book:
    """A workbook being written, and how its cells are formatted."""

    book: Any
    header: Any
    formats: Mapping[type, Any]


def open_book(target: BinaryIO, *, made_on: date) -> Book:
    """Begin a workbook.

    Parameters
    ----------
    target : binary file
        Where it is written.
    made_on : date
        What it says of its age; the clock is not asked, so that the same content is the same bytes.

    Returns
    -------
    Book
        Written when its `book` is closed.
    """
    book = xlsxwriter.Workbook(target, {"in_memory": True, "use_future_functions": True})
    book.set_properties({"created": datetime.combine(made_on, time())})  # noqa: DTZ001 (a day)
    header = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    formats = {kind: book.add_format({"num_format": text}) for kind, text in FORMATS.items()}
    return Book(book=book, header=header, formats=formats)


def add_table(book: Book, name: str, columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> int:
    """Add a sheet with a header that stays in sight and can be filtered by.

    Parameters
    ----------
    book : Book
        The workbook.
    name : str
        Of the sheet.
    columns : sequence of str
        The header.
    rows : iterable of mapping
        None is an empty cell.

    Returns
    -------
    int [rows]
        How many were written below the header.
    """
    sheet = book.book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    number = 0
    for place, column in enumerate(columns):
        sheet.write_string(0, place, column, book.header)
        sheet.set_column(place, place, WIDTHS[str])
    for number, row in enumerate(rows, start=1):
        for place, column in enumerate(columns):
            write_cell(book, sheet, number, place, row.get(column))
    sheet.autofilter(0, 0, number, len(columns) - 1)
    return number


def add_lines(book: Book, name: str, lines: Iterable[tuple[str, object]]) -> None:
    """Add a sheet that says one thing a line: what, and its value.

    Parameters
    ----------
    book : Book
        The workbook.
    name : str
        Of the sheet.
    lines : iterable of tuple
        A label and a value each.
    """
    sheet = book.book.add_worksheet(name)
    sheet.set_column(0, 0, LONG_TEXT)
    sheet.set_column(1, 1, LONG_WIDTH)
    for number, (label, value) in enumerate(lines):
        sheet.write_string(number, 0, label, book.header)
        write_cell(book, sheet, number, 1, value)


def write_cell(book: Book, sheet: Any, row: int, place: int, value: object) -> None:
    """Write a value as what it is: a number, a day, or text that is never a formula.

    Parameters
    ----------
    book : Book
        The workbook.
    sheet : worksheet
        Where.
    row, place : int
        Counted from 0.
    value : object
        None leaves the cell empty.
    """
    if value is None:
        return
    kind = next((kind for kind in type(value).__mro__ if kind in WRITERS), object)
    WRITERS[kind](sheet, row, place, value, book.formats.get(kind, book.formats[str]))


def _write_text(sheet: Any, row: int, place: int, value: object, form: Any) -> None:
    sheet.write_string(row, place, cell_text(value, decimal_mark="."), form)


def _write_number(sheet: Any, row: int, place: int, value: Any, form: Any) -> None:
    sheet.write_number(row, place, float(value), form)


WRITERS: dict[type, Callable[[Any, int, int, Any, Any], None]] = {
    bool: _write_text,
    int: _write_number,
    float: _write_number,
    Decimal: _write_number,
    date: lambda sheet, row, place, value, form: sheet.write_datetime(row, place, value, form),
    object: _write_text,
}
