"""Tables of the record: the bytes of a CSV file or a workbook to rows, and everything wrong in it; rows to CSV text."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from io import StringIO
from typing import Any, BinaryIO, Literal

from models.queries.files import FILES
from service.csv_cells import CellColumn, cell_columns, cell_text, unprotected
from service.local_dates import ORDER_NAME, DateOrder, is_local, iso_days
from service.schemas.records import RECORDS
from service.table_lines import BOM, BadCell, Line, Lines, Unreadable, csv_lines, row_error
from service.table_lines import RowError as RowError
from service.unplaced_events import may_wait
from service.workbook_lines import is_old_workbook, is_zip, workbook_lines

Dialect = Literal["comma", "semicolon"]

DELIMITER = {"comma": ",", "semicolon": ";"}
DECIMAL_MARK = {"comma": ".", "semicolon": ","}
OTHER_MARK = {".": ",", ",": "."}
MARK_NAME = {".": "point", ",": "comma"}
CHUNK_ROWS = 10_000


@dataclass(frozen=True)
class ParsedTable:
    """A file or a part of it as read: its rows, the line on which each begins, and everything that is wrong in it.

    `source` is what its sender called it; `untagged` are events that lack nothing but their tag, with their lines.
    """

    file: str
    rows: list[dict[str, Any]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    errors: list[RowError] = field(default_factory=list)
    source: str = ""
    untagged: list[dict[str, Any]] = field(default_factory=list)
    untagged_lines: list[int] = field(default_factory=list)


@dataclass
class _Reading:
    """How the cells of a file are read; its decimal mark is the first one in it."""

    source: str
    columns: list[CellColumn]
    dates: DateOrder
    mark: str | None


def parse_table(file: str, stream: BinaryIO, *, dates: DateOrder = "iso") -> ParsedTable:
    """Read a file of the record whole and collect everything that is wrong in it.

    Parameters
    ----------
    file : str
        Its name in RECORDS, without `.csv`.
    stream : binary file
        Read to its end.
    dates : `iso`, `dmy` or `mdy`
        How days are written besides ISO 8601, as declared.

    Returns
    -------
    ParsedTable
        A row with a bad cell is left out. Lines are those of the file, counted from 1.
    """
    whole = ParsedTable(file, source=f"{file}.csv")
    for part in parse_parts(file, stream, source=whole.source, dates=dates):
        whole.rows.extend(part.rows)
        whole.lines.extend(part.lines)
        whole.errors.extend(part.errors)
    return whole


def parse_parts(file: str, stream: BinaryIO, *, source: str, dates: DateOrder) -> Iterator[ParsedTable]:
    """Read a file of the record in parts, so that a large one needs no more memory than a small one.

    Parameters
    ----------
    file : str
        Its name in RECORDS.
    stream : binary file
        CSV in UTF-8, or a workbook; which of them its first bytes say.
    source : str
        What its sender called it.
    dates : `iso`, `dmy` or `mdy`
        As for `parse_table`.

    Yields
    ------
    ParsedTable
        At least one.
    """
    reading, some, stopped = _Reading(source, [], dates, None), list[Line](), list[RowError]()
    try:
        lines = _open(source, stream)
        reading.mark = None if lines.may_have_comma else "."
        reading.columns = _header(file, source, lines)
        for line in lines.lines:
            some.append(line)
            if len(some) == CHUNK_ROWS:
                yield _read_lines(file, reading, some)
                some = []
    except Unreadable as stop:
        stopped = stop.errors
    part = _read_lines(file, reading, some)
    part.errors.extend(stopped)
    yield part


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


def _open(source: str, stream: BinaryIO) -> Lines:
    if is_old_workbook(stream):
        raise Unreadable(row_error(source, None, None, "an old workbook (.xls)", "an .xlsx workbook, or CSV in UTF-8"))
    return workbook_lines(source, stream) if is_zip(stream) else csv_lines(source, stream)


def _header(file: str, source: str, lines: Lines) -> list[CellColumn]:
    known = cell_columns(RECORDS[file])
    first = next(lines.lines, None)
    if first is None:
        raise Unreadable(row_error(source, 1, None, "", f"a header with {', '.join(FILES[file].required)}"))
    names = [cell.value if isinstance(cell, BadCell) else cell.strip().casefold() for cell in first.cells]
    errors = [
        row_error(source, first.number, name, name, f"a column of this file: {', '.join(known)}")
        for name in names
        if name not in known
    ]
    errors += [
        row_error(source, first.number, name, name, "each column once")
        for name in dict.fromkeys(names)
        if name in known and names.count(name) > 1
    ]
    errors += [
        row_error(source, first.number, name, "", f"a column {name}")
        for name in FILES[file].required
        if name not in names
    ]
    if errors:
        raise Unreadable(*errors)
    return [known[name] for name in names]


def _read_lines(file: str, reading: _Reading, lines: list[Line]) -> ParsedTable:
    part = ParsedTable(file, source=reading.source)
    try:
        part.rows.extend(_rows_at_once(reading, lines))
    except ValueError:
        # one at a time, to say what is wrong and where
        for line in lines:
            _read_line(reading, line, part)
    else:
        part.lines.extend(line.number for line in lines)
    return part


def _rows_at_once(reading: _Reading, lines: list[Line]) -> Iterator[dict[str, Any]]:
    """Read sound lines column by column, what is written alike only once."""  # noqa: DOC501 (the caller's)
    if reading.mark is None and any(column.has_decimals for column in reading.columns):
        raise ValueError("the first decimal mark of the file is still to be found")
    names = [column.name for column in reading.columns]
    columns = []
    for column, cells in zip(reading.columns, zip(*(line.cells for line in lines), strict=True), strict=bool(lines)):
        value_of = {cell: _read_cell(reading, column, cell) for cell in set(cells)}
        columns.append([value_of[cell] for cell in cells])
    return (dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True))


def _read_line(reading: _Reading, line: Line, part: ParsedTable) -> None:
    if len(line.cells) != len(reading.columns):
        found = f"{len(line.cells)} of {len(reading.columns)} cells"
        expected = "one cell for each column of the header"
        part.errors.append(row_error(reading.source, line.number, None, found, expected))
        return
    row, errors = {}, []
    for column, cell in zip(reading.columns, line.cells, strict=True):
        try:
            row[column.name] = _read_cell(reading, column, cell)
        except ValueError:
            value = cell.value if isinstance(cell, BadCell) else cell
            errors.append(row_error(reading.source, line.number, column.name, value, _expected(reading, column, cell)))
    if may_wait(part.file, row, errors):
        part.untagged.append(row)
        part.untagged_lines.append(line.number)
    elif errors:
        part.errors.extend(errors)
    else:
        part.rows.append(row)
        part.lines.append(line.number)


def _read_cell(reading: _Reading, column: CellColumn, cell: str | BadCell) -> Any:
    if isinstance(cell, BadCell):
        raise ValueError(cell)
    text = unprotected(cell)
    if not text.strip():
        if column.required:
            raise ValueError(cell)
        return column.empty()
    if column.has_decimals:
        text = _with_point(reading, text)
    if column.has_days:
        text = iso_days(text, order=reading.dates)
    return column.read(text)


def _with_point(reading: _Reading, cell: str) -> str:
    reading.mark = reading.mark or next((mark for mark in cell if mark in OTHER_MARK), None)
    if reading.mark is None:
        return cell
    if OTHER_MARK[reading.mark] in cell:
        raise ValueError(cell)
    return cell.replace(reading.mark, ".")


def _expected(reading: _Reading, column: CellColumn, cell: str | BadCell) -> str:
    if isinstance(cell, BadCell):
        return f"{column.expected}: {cell.expected}"
    if not cell.strip():
        return f"{column.expected}; it can't be empty"
    if column.has_decimals and reading.mark and OTHER_MARK[reading.mark] in cell:
        return f"{column.expected}, with the decimal {MARK_NAME[reading.mark]} of this file"
    if column.has_days and is_local(cell):
        return f"{column.expected}; {_declared(reading.dates)}"
    return column.expected


def _declared(dates: DateOrder) -> str:
    if dates == "iso":
        return "which number is the day is not guessed: declare dates=dmy or dates=mdy"
    return f"declared was dates={dates}: {ORDER_NAME[dates]}"
