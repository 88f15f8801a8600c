"""CSV: the bytes of a file to rows and the list of what is wrong in it; rows to the text of a file."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any, BinaryIO, Literal

from models.queries.files import FILES
from service.csv_cells import CellColumn, cell_columns, cell_text, unprotected
from service.schemas.records import RECORDS

Dialect = Literal["comma", "semicolon"]

BOM = "\ufeff"
DELIMITER = {"comma": ",", "semicolon": ";"}
DECIMAL_MARK = {"comma": ".", "semicolon": ","}
OTHER_MARK = {".": ",", ",": "."}
MARK_NAME = {".": "point", ",": "comma"}
LONGEST_SHOWN = 100


@dataclass(frozen=True)
class RowError:
    """What is wrong at one place of a file; without a column the whole line is meant, without a line the file."""

    file: str
    line: int | None
    column: str | None
    value: str
    expected: str


@dataclass(frozen=True)
class ParsedTable:
    """A file as read: its rows, the line on which each begins, and everything that is wrong in it."""

    file: str
    rows: list[dict[str, Any]]
    lines: list[int]
    errors: list[RowError]


@dataclass(frozen=True)
class _Line:
    """The cells of a row and the line of the file on which it begins."""

    number: int
    cells: list[str]


class _Unreadable(Exception):
    """What follows in the file can't be told apart."""

    def __init__(self, *errors: RowError) -> None:
        super().__init__(*errors)
        self.errors = list(errors)


def parse_table(file: str, stream: BinaryIO) -> ParsedTable:
    """Read a file of the record and collect everything that is wrong in it.

    Parameters
    ----------
    file : str
        Its name in RECORDS, without `.csv`.
    stream : binary file
        Read to its end.

    Returns
    -------
    ParsedTable
        A row with a bad cell is left out. Lines are those of the file, counted from 1.
    """
    try:
        text = _decode(file, stream.read())
        delimiter = _delimiter(text)
        lines = _lines(file, text, delimiter)
        columns = _header(file, lines)
    except _Unreadable as stop:
        return ParsedTable(file, [], [], stop.errors)
    return _read_rows(file, columns, lines[1:], _decimal_mark(columns, lines[1:], delimiter))


def write_table(columns: Sequence[str], rows: Iterable[Mapping[str, object]], *, dialect: Dialect) -> Iterator[str]:
    r"""Write rows as CSV text (RFC 4180, lines ended by CR LF), a line at a time.

    Parameters
    ----------
    columns : sequence of str
        The header; what a row holds besides is not written.
    rows : iterable of mapping
        Values that `service.csv_cells.cell_text` can write; an absent one is an empty cell.
    dialect : `comma` or `semicolon`
        `semicolon` is for spreadsheets with a decimal comma and begins with a byte order mark.

    Yields
    ------
    str
        The header, then one row each.

    Examples
    --------
    >>> list(write_table(["kit", "mean"], [{"kit": "K-1", "mean": 0.5}], dialect="semicolon"))
    ['\ufeffkit;mean\r\n', 'K-1;0,5\r\n']
    """
    line = StringIO()
    writer = csv.writer(line, delimiter=DELIMITER[dialect], lineterminator="\r\n")
    mark = DECIMAL_MARK[dialect]
    writer.writerow(columns)
    yield (BOM if dialect == "semicolon" else "") + line.getvalue()
    for row in rows:
        line.seek(0)
        line.truncate()
        writer.writerow([cell_text(row.get(column), decimal_mark=mark) for column in columns])
        yield line.getvalue()


def _decode(file: str, data: bytes) -> str:
    try:
        text = data.decode("utf-8").removeprefix(BOM)
    except UnicodeDecodeError as error:
        at = error.start
        value = f"byte 0x{data[at]:02x} at position {at}"
        number = data.count(b"\n", 0, at) + 1
        raise _Unreadable(_error(file, number, None, value, "text in UTF-8")) from error
    if "\0" in text:
        number = text.count("\n", 0, text.index("\0")) + 1
        raise _Unreadable(_error(file, number, None, "\\0", "text without NUL characters"))
    return text


def _delimiter(text: str) -> str:
    header = next((line for line in StringIO(text) if line.strip()), "")
    return ";" if ";" in header else ","


def _lines(file: str, text: str, delimiter: str) -> list[_Line]:
    reader = csv.reader(StringIO(text, newline=""), delimiter=delimiter, strict=True)
    lines: list[_Line] = []
    number = 1
    try:
        for cells in reader:
            # A row without any text is one that a spreadsheet left behind.
            if any(cell.strip() for cell in cells):
                lines.append(_Line(number, cells))
            number = reader.line_num + 1
    except csv.Error as error:
        raise _Unreadable(_error(file, number, None, str(error), "quotes around a cell, doubled inside it")) from error
    if not lines:
        raise _Unreadable(_error(file, 1, None, "", f"a header with {', '.join(FILES[file].required)}"))
    return lines


def _header(file: str, lines: Sequence[_Line]) -> list[CellColumn]:
    known = cell_columns(RECORDS[file])
    names = [cell.strip().casefold() for cell in lines[0].cells]
    number = lines[0].number
    errors = [
        _error(file, number, name, name, f"a column of this file: {', '.join(known)}")
        for name in names
        if name not in known
    ]
    errors += [
        _error(file, number, name, name, "each column once")
        for name in dict.fromkeys(names)
        if name in known and names.count(name) > 1
    ]
    errors += [_error(file, number, name, "", f"a column {name}") for name in FILES[file].required if name not in names]
    if errors:
        raise _Unreadable(*errors)
    return [known[name] for name in names]


def _decimal_mark(columns: Sequence[CellColumn], lines: Sequence[_Line], delimiter: str) -> str:
    """Find the decimal mark of the file: the first one in it; a comma only where cells end with ;."""
    if delimiter == ",":
        return "."
    places = [place for place, column in enumerate(columns) if column.has_decimals]
    cells = (line.cells[place] for line in lines for place in places if place < len(line.cells))
    return next((mark for cell in cells for mark in cell if mark in ".,"), ".")


def _read_rows(file: str, columns: Sequence[CellColumn], lines: Sequence[_Line], mark: str) -> ParsedTable:
    table = ParsedTable(file, [], [], [])
    for line in lines:
        if len(line.cells) != len(columns):
            found = f"{len(line.cells)} of {len(columns)} cells"
            expected = "one cell for each column of the header"
            table.errors.append(_error(file, line.number, None, found, expected))
            continue
        row, errors = {}, []
        for column, cell in zip(columns, line.cells, strict=True):
            try:
                row[column.name] = _read_cell(column, unprotected(cell), mark)
            except ValueError:
                errors.append(_error(file, line.number, column.name, cell, _expected(column, cell, mark)))
        if errors:
            table.errors.extend(errors)
        else:
            table.rows.append(row)
            table.lines.append(line.number)
    return table


def _read_cell(column: CellColumn, cell: str, mark: str) -> Any:
    if not cell.strip():
        if column.required:
            raise ValueError(cell)
        return column.empty()
    return column.read(_with_point(cell, mark) if column.has_decimals else cell)


def _with_point(cell: str, mark: str) -> str:
    if OTHER_MARK[mark] in cell:
        raise ValueError(cell)
    return cell.replace(mark, ".")


def _expected(column: CellColumn, cell: str, mark: str) -> str:
    if not cell.strip():
        return f"{column.expected}; it can't be empty"
    if column.has_decimals and OTHER_MARK[mark] in cell:
        return f"{column.expected}, with the decimal {MARK_NAME[mark]} of this file"
    return column.expected


def _error(file: str, line: int, column: str | None, value: str, expected: str) -> RowError:
    shown = value if len(value) <= LONGEST_SHOWN else f"{value[:LONGEST_SHOWN]}..."
    return RowError(f"{file}.csv", line, column, shown, expected)
