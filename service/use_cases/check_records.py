"""Rules of the record that no single cell can show: rows as they would be stored in, what is wrong out."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from models.base import Session, code_key
from models.partial_days import first_day, in_order
from models.queries import records
from models.queries.files import FILES
from models.queries.identities import identify, missing_key
from service.csv_cells import cell_columns, cell_text
from service.csv_tables import ParsedTable, RowError
from service.schemas.records import RECORDS

Values = dict[str, Any]


@dataclass(frozen=True)
class _Rule:
    """What must hold between the columns of a row; the column named is where the error is shown."""

    column: str
    expected: str
    holds: Callable[[Values], bool]


def _in_order(row: Values, earlier: str, later: str) -> bool:
    return not row[earlier] or not row[later] or in_order(str(row[earlier]), str(row[later]))


RULES: dict[str, tuple[_Rule, ...]] = {
    "policies": (
        _Rule(
            "interval_days",
            "a number of days with predetermined and opportunistic, nothing with corrective",
            lambda row: (row["policy"] == "corrective") == (row["interval_days"] is None),
        ),
    ),
    "valves": (
        _Rule(
            "removed_on",
            "a day not before installed_on",
            lambda row: _in_order(row, "installed_on", "removed_on"),
        ),
    ),
    "events": (
        _Rule("found_on", "a day not after done_on", lambda row: _in_order(row, "found_on", "done_on")),
        _Rule(
            "last_ok_on",
            "a day not after found_on, or done_on where that is empty",
            lambda row: _in_order(row, "last_ok_on", "found_on" if row["found_on"] else "done_on"),
        ),
    ),
    "issues": (_Rule("qty", "a whole number other than 0, negative for a return", lambda row: row["qty"] != 0),),
    "lots": (_Rule("expires_on", "a day not before cured_on", lambda row: _in_order(row, "cured_on", "expires_on")),),
    "turnarounds": (
        _Rule("ends_on", "a day not before starts_on", lambda row: _in_order(row, "starts_on", "ends_on")),
        _Rule(
            "scope_freeze_on",
            "a day not after starts_on",
            lambda row: _in_order(row, "scope_freeze_on", "starts_on"),
        ),
    ),
}

# Days on which something was seen or done, so that they can't lie ahead.
PAST_DAYS = {
    "events": ("found_on", "done_on", "last_ok_on"),
    "stock": ("counted_on",),
    "lots": ("cured_on",),
    "orders": ("received_on",),
    "issues": ("issued_on",),
}


def find_errors(session: Session, tables: Sequence[ParsedTable], *, today: date) -> list[RowError]:
    """List what is wrong in an import: bad cells, rows against each other, rows against what is stored.

    Parameters
    ----------
    session : Session
        For reading.
    tables : sequence of ParsedTable
        All files of the import.
    today : date
        The day of the import; what has happened can't be dated after it.

    Returns
    -------
    list of RowError
        File by file, in the order of their lines.
    """
    errors: list[RowError] = []
    for table in tables:
        found = [*table.errors, *_missing_keys(table), *_future_days(table, today)]
        keyed = _with_key(table)
        found += [*_repeated(keyed), *_broken_rules(session, keyed), *_supersession_cycles(session, keyed)]
        found += _unknown_codes(session, table, tables)
        errors += sorted(found, key=lambda error: error.line or 0)
    return errors


def _missing_keys(table: ParsedTable) -> Iterator[RowError]:
    for line, row in _numbered(table):
        for column in missing_key(FILES[table.file], row):
            yield _error(table, line, column, row, f"{_meaning(table, column)}; it is part of the key")


def _future_days(table: ParsedTable, today: date) -> Iterator[RowError]:
    for column in PAST_DAYS.get(table.file, ()):
        for line, row in _numbered(table):
            if row.get(column) and first_day(str(row[column])) > today:
                yield _error(table, line, column, row, f"a day not after the day of import, {today}")


def _unknown_codes(session: Session, table: ParsedTable, tables: Sequence[ParsedTable]) -> Iterator[RowError]:
    """Find codes that naming them does not create, such as tags of valves."""
    for reference in FILES[table.file].references:
        target = FILES[reference.file]
        others = [other for other in tables if other.file == target.name]
        # A row left out for a bad cell of its own is no reason to blame those that name it.
        if target.has_stubs or any(other.errors for other in others):
            continue
        known = records.known_codes(session, target.name)
        known |= {code_key(row[target.code_column]) for other in others for row in other.rows}
        for line, row in _numbered(table):
            if row.get(reference.name) and code_key(row[reference.name]) not in known:
                expected = f"a {target.code_column} in the record or in {target.name}.csv of this import"
                yield _error(table, line, reference.name, row, expected)


def _repeated(table: ParsedTable) -> Iterator[RowError]:
    first: dict[tuple[str, ...], int] = {}
    file = FILES[table.file]
    for (line, row), identity in zip(_numbered(table), identify(file, table.rows), strict=True):
        if identity.key in first:
            expected = f"each {' and '.join(file.key)} once; line {first[identity.key]} has it already"
            yield _error(table, line, file.key[0], row, expected)
        first.setdefault(identity.key, line)


def _broken_rules(session: Session, table: ParsedTable) -> Iterator[RowError]:
    columns = cell_columns(RECORDS[table.file])
    required = [name for name, column in columns.items() if column.required]
    for line, stored in zip(table.lines, records.preview(session, table.file, table.rows), strict=True):
        row = dict.fromkeys(columns) | stored
        missing = [name for name in required if row[name] is None]
        for name in missing:
            yield _error(table, line, name, row, f"{_meaning(table, name)}; a new row needs it")
        for rule in RULES.get(table.file, ()):
            if not missing and not rule.holds(row):
                yield _error(table, line, rule.column, row, rule.expected)


def _supersession_cycles(session: Session, table: ParsedTable) -> Iterator[RowError]:
    if table.file != "kits":
        return
    successor = {}
    for row in [*records.read_all(session, "kits"), *table.rows]:
        if "superseded_by" in row:
            successor[code_key(row["code"])] = row["superseded_by"] and code_key(row["superseded_by"])
    for line, row in _numbered(table):
        if _leads_back(successor, code_key(row["code"])):
            yield _error(table, line, "superseded_by", row, "a kit that does not lead back to this one")


def _leads_back(successor: dict[str, str | None], start: str) -> bool:
    kit, seen = successor.get(start), set()
    while kit and kit not in seen:
        if kit == start:
            return True
        seen.add(kit)
        kit = successor.get(kit)
    return False


def _with_key(table: ParsedTable) -> ParsedTable:
    kept = [(line, row) for line, row in _numbered(table) if not missing_key(FILES[table.file], row)]
    return ParsedTable(table.file, [row for _, row in kept], [line for line, _ in kept], [])


def _numbered(table: ParsedTable) -> Iterator[tuple[int, Values]]:
    return zip(table.lines, table.rows, strict=True)


def _meaning(table: ParsedTable, column: str) -> str:
    return cell_columns(RECORDS[table.file])[column].expected


def _error(table: ParsedTable, line: int, column: str, row: Values, expected: str) -> RowError:
    return RowError(f"{table.file}.csv", line, column, cell_text(row.get(column), decimal_mark="."), expected)
