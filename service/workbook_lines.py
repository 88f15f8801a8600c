"""Lines of a workbook (.xlsx): one sheet, each typed cell to the text that a CSV file would have."""

import warnings
import zlib
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime, time
from decimal import Decimal
from io import BufferedReader, FileIO
from itertools import zip_longest
from pathlib import Path
from typing import Any, BinaryIO
from zipfile import BadZipFile

from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from service.table_lines import BadCell, Line, Lines, Unreadable, row_error
from service.zip_limits import WORKBOOK_LIMITS, ZipRefused, check_zip

LARGEST_EXACT = 10**15  # beyond it a spreadsheet has dropped digits
OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
# what a broken file makes of the reader
BROKEN = (BadZipFile, zlib.error, LookupError, ValueError, OSError, EOFError, SyntaxError, AttributeError, TypeError)
ZIP = b"PK\x03\x04"
WORKBOOK = "an .xlsx workbook with one sheet of cells, or CSV text in UTF-8"


class Sheet(BufferedReader):
    """One sheet of a workbook, read as if it were a file of its own.

    Parameters
    ----------
    path : Path
        The workbook.
    title : str
        Of the sheet.
    """

    def __init__(self, path: Path, title: str) -> None:
        super().__init__(FileIO(path))
        self.title = title
        self.source = f"{path.name}: {title}"


def sheet_titles(file: str, stream: BinaryIO) -> list[str]:
    """Read what the sheets of a workbook are called.

    Parameters
    ----------
    file : str
        As its sender named it.
    stream : binary file
        The workbook.

    Returns
    -------
    list of str
        In their order.

    Raises
    ------
    Unreadable
        As `workbook_lines`.
    """  # noqa: DOC502 (raised by _opened)
    with closing(_opened(file, stream, values=True)) as book:
        return [sheet.title for sheet in book.worksheets]


def is_zip(stream: BinaryIO) -> bool:
    """Say whether a file is a zip archive, as every workbook is.

    Parameters
    ----------
    stream : binary file
        At its beginning, where it is left.

    Returns
    -------
    bool
        By its first bytes.
    """
    return _starts_with(stream, ZIP)


def is_old_workbook(stream: BinaryIO) -> bool:
    """Say whether a file is a workbook of the kind (.xls) that isn't read here.

    Parameters
    ----------
    stream : binary file
        At its beginning, where it is left.

    Returns
    -------
    bool
        By its first bytes.
    """
    return _starts_with(stream, OLD_WORKBOOK)


def workbook_lines(file: str, stream: BinaryIO) -> Lines:
    """Read a sheet of a workbook, a row at a time.

    Parameters
    ----------
    file : str
        As its sender named it.
    stream : binary file
        The workbook, of which the first sheet is read, or a `Sheet`.

    Returns
    -------
    Lines
        Numbered as the spreadsheet numbers them.

    Raises
    ------
    Unreadable
        If it is no workbook, or far larger unpacked than such a file ever is.
    """  # noqa: DOC502 (raised by _opened)
    sheets = [_sheet(_opened(file, stream, values=values), stream) for values in (True, False)]
    return Lines(_rows(file, *sheets), may_have_comma=False)


def _starts_with(stream: BinaryIO, magic: bytes) -> bool:
    found = stream.read(len(magic)) == magic
    stream.seek(0)
    return found


def _opened(file: str, stream: BinaryIO, *, values: bool) -> Any:
    try:
        check_zip(stream, WORKBOOK_LIMITS)
        with warnings.catch_warnings():
            # of parts of a workbook that aren't read here, as print settings
            warnings.simplefilter("ignore")
            book = load_workbook(stream, read_only=True, data_only=values, keep_links=False)
        if not book.worksheets:
            raise ValueError(file)
    except ZipRefused as error:
        raise Unreadable(row_error(file, None, None, str(error), WORKBOOK)) from error
    except BROKEN as error:
        raise Unreadable(row_error(file, None, None, "no workbook that can be read", WORKBOOK)) from error
    return book


def _sheet(book: Any, stream: BinaryIO) -> Any:
    sheet = book[stream.title] if isinstance(stream, Sheet) else book.worksheets[0]
    sheet.reset_dimensions()  # some programs write them wrong
    return sheet


def _rows(file: str, values: Any, formulas: Any) -> Iterator[Line]:
    width = 0
    try:
        for number, (row, written) in enumerate(zip(values.iter_rows(), formulas.iter_rows(), strict=True), start=1):
            cells = [_cell(*pair) for pair in zip_longest(row, written)]
            while cells and cells[-1] == "":
                cells.pop()
            if cells:
                width = width or len(cells)
                yield Line(number, cells + [""] * (width - len(cells)))
    except BROKEN as error:
        raise Unreadable(row_error(file, None, None, "a sheet that can't be read", "whole rows of cells")) from error


def _cell(cell: Any, written: Any) -> str | BadCell:
    value = None if cell is None else cell.value
    if value is None:
        if written is not None and written.data_type == "f":
            return BadCell(str(written.value), "a formula's value; save the workbook once in a spreadsheet program")
        return ""
    if cell.data_type == "e":
        return BadCell(str(value), "a value; the formula in this cell failed")
    return _text(value)


def _text(value: object) -> str | BadCell:
    match value:
        case str():
            return unescape(value)
        case bool():
            return "true" if value else "false"
        case int() | float() if abs(value) >= LARGEST_EXACT:
            return BadCell(f"{value:g}", "at most 15 digits; a longer number must be kept as text")
        case int() | float():
            # what a spreadsheet shows: the last bits of a sum are noise
            return format(Decimal(f"{value:.15g}"), "f")
        case datetime():
            return str(value.date()) if value.time() == time() else value.isoformat(sep=" ")
        case date():
            return value.isoformat()
    return BadCell(str(value), "text, a number or a date")
