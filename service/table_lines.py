"""Lines of a table before anybody asks what they mean: the bytes of a CSV file to cells, told where it can't be."""

import codecs
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from io import TextIOWrapper
from itertools import chain
from typing import BinaryIO, cast

BOM = "\ufeff"
BLOCK = 1024 * 1024
LONGEST_SHOWN = 100
_QUOTES = "quotes around a cell, doubled inside it"
LONGEST_CELL = 131_072  # characters; what the csv module reads


@dataclass(frozen=True)
class RowError:
    """What is wrong at one place of a file; without a column the whole line is meant, without a line the file."""

    file: str
    line: int | None
    column: str | None
    value: str
    expected: str


@dataclass(frozen=True)
class BadCell:
    """A cell that holds no value that could be read, whatever its column."""

    value: str
    expected: str


@dataclass(frozen=True)
class Line:
    """The cells of a row and the line of the file on which it begins."""

    number: int
    cells: list[str | BadCell]


@dataclass(frozen=True)
class Lines:
    """The lines of a file that hold anything, and whether its numbers may have a decimal comma."""

    lines: Iterator[Line]
    may_have_comma: bool


class Unreadable(Exception):
    """What follows in the file can't be told apart."""

    def __init__(self, *errors: RowError) -> None:
        super().__init__(*errors)
        self.errors = list(errors)


def row_error(file: str, line: int | None, column: str | None, value: str, expected: str) -> RowError:
    """Describe an error; a long value is cut.

    Parameters
    ----------
    file : str
        As its sender named it.
    line : int or None
        Counted from 1.
    column : str or None
        Its header.
    value : str
        What stands there.
    expected : str
        What should.

    Returns
    -------
    RowError
        To be shown.
    """
    return RowError(
        file, line, column, value if len(value) <= LONGEST_SHOWN else f"{value[:LONGEST_SHOWN]}...", expected
    )


def csv_lines(file: str, stream: BinaryIO) -> Lines:
    """Read CSV, a line at a time.

    Parameters
    ----------
    file : str
        As its sender named it.
    stream : binary file
        That can be read twice.

    Returns
    -------
    Lines
        Comma or semicolon, whichever stands in the header; reading them may raise Unreadable.

    Raises
    ------
    Unreadable
        If the bytes are no UTF-8 text.
    """  # noqa: DOC502 (raised by _check_text)
    _check_text(file, stream)
    text = TextIOWrapper(stream, encoding="utf-8", newline="")
    before: list[str] = []
    for line in text:
        before.append(line.removeprefix(BOM) if not before else line)
        if before[-1].strip():
            break
    delimiter = ";" if before and ";" in before[-1] else ","
    return Lines(_split(file, chain(before, text), text, delimiter), may_have_comma=delimiter == ";")


def _split(file: str, rows: Iterator[str], text: TextIOWrapper, delimiter: str) -> Iterator[Line]:
    reader = csv.reader(rows, delimiter=delimiter, strict=True)
    number = 1
    try:
        for cells in reader:
            # A row without any text is one that a spreadsheet left behind.
            if any(cell.strip() for cell in cells):
                yield Line(number, cast("list[str | BadCell]", cells))
            number = reader.line_num + 1
    except csv.Error as error:
        too_long = "larger than field limit" in str(error)
        expected = f"a cell of at most {LONGEST_CELL} characters" if too_long else _QUOTES
        raise Unreadable(row_error(file, number, None, str(error), expected)) from error
    finally:
        text.detach()


def _check_text(file: str, stream: BinaryIO) -> None:
    """Look through the whole file first: nothing of it is used if it isn't text."""  # noqa: DOC501 (the caller's)
    decoder = codecs.getincrementaldecoder("utf-8")()
    read, lines = 0, 0
    while True:
        block = stream.read(BLOCK)
        read += len(block)
        try:
            text = decoder.decode(block, final=not block)
        except UnicodeDecodeError as error:
            at, data = error.start, error.object
            number = lines + data.count(b"\n", 0, at) + 1
            value = f"byte 0x{data[at]:02x} at position {read - len(data) + at}"
            raise Unreadable(row_error(file, number, None, value, "text in UTF-8")) from error
        if "\0" in text:
            number = lines + text.count("\n", 0, text.index("\0")) + 1
            raise Unreadable(row_error(file, number, None, "\\0", "text without NUL characters"))
        lines += text.count("\n")
        if not block:
            stream.seek(0)
            return
