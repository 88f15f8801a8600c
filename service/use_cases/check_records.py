"""Rules of the record that no single cell can show: rows as they would be stored in, what is wrong out."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import chain
from typing import Any

from models.base import Session, code_key
from models.partial_days import first_day, in_order
from models.queries import records
from models.queries.files import FILES, Reference, made_by_naming
from models.queries.identities import Counting, identify, likenesses, missing_key
from service.csv_cells import cell_columns, cell_text
from service.csv_tables import ParsedTable
from service.schemas.records import RECORDS
from service.spooled_tables import ErrorList, SpooledTable, Watch, unwatched
from service.table_lines import RowError, row_error

Values = dict[str, Any]


@dataclass(frozen=True)
class _Rule:
    """What must hold between the columns of a row; the column named is where the error is shown."""

    column: str
    expected: str
    holds: Callable[[Values], bool]


def _in_order(row: Values, earlier: str, later: str) -> bool:
    return not row.get(earlier) or not row.get(later) or in_order(str(row[earlier]), str(row[later]))


RULES: dict[str, tuple[_Rule, ...]] = {
    "policies": (
        _Rule(
            "interval_days",
            "a number of days with predetermined and opportunistic, nothing with corrective",
            lambda row: (row["policy"] == "corrective") == (row.get("interval_days") is None),
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
            lambda row: _in_order(row, "last_ok_on", "found_on" if row.get("found_on") else "done_on"),
        ),
    ),
    "issues": (_Rule("qty", "a whole number other than 0, negative for a return", lambda row: row["qty"] != 0),),
    "lots": (_Rule("expires_on", "a day not before cured_on", lambda row: _in_order(row, "cured_on", "expires_on")),),
    "closures": (_Rule("ends_on", "a day not before starts_on", lambda row: _in_order(row, "starts_on", "ends_on")),),
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


def find_errors(
    session: Session, tables: Sequence[SpooledTable], *, today: date, watch: Watch = unwatched
) -> ErrorList:
    """List what is wrong in an import: bad cells, rows against each other, rows against what is stored.

    Parameters
    ----------
    session : Session
        For reading.
    tables : sequence of SpooledTable
        All files of the import.
    today : date
        The day of the import; what has happened can't be dated after it.
    watch : Watch
        Is told of each part checked.

    Returns
    -------
    ErrorList
        File by file, in the order of their lines.
    """
    errors = ErrorList()
    for table in tables:
        checks = _Checks(
            session=session,
            table=table,
            today=today,
            counting=records.begin_counting(session, table.file, table.repeated),
            identity_counting=records.begin_counting(session, table.file, table.repeated),
            known=_known_codes(session, table, tables),
            successor=_successors(session, table),
        )
        for part in table.parts():
            errors.add(sorted(checks.errors_of(part), key=lambda error: error.line or 0))
            watch("checking", len(part.rows))
    return errors


@dataclass(kw_only=True)
class _Checks:
    """What has to be remembered from part to part of a table."""

    session: Session
    table: SpooledTable
    today: date
    counting: Counting
    identity_counting: Counting
    known: dict[str, set[str]]
    """By column: the codes it may name, where naming one doesn't make it."""
    successor: dict[str, str | None]
    first: dict[tuple[str, ...], int] = field(default_factory=dict)

    def errors_of(self, part: ParsedTable) -> Iterator[RowError]:
        """Find what is wrong in the next part."""
        yield from part.errors
        yield from _missing_keys(part)
        yield from _future_days(part, self.today)
        yield from _waiting_errors(part, self.today)
        keyed = _with_key(part)
        yield from self._repeated(keyed)
        yield from self._broken_rules(keyed)
        yield from self._supersession_cycles(keyed)
        yield from self._unknown_codes(part)

    def _repeated(self, part: ParsedTable) -> Iterator[RowError]:
        file = FILES[part.file]
        if not self.table.repeated:
            return
        identities = identify(file, part.rows, self.identity_counting)
        found = likenesses(file, part.rows)
        for (line, row), likeness, identity in zip(_numbered(part), found, identities, strict=True):
            if hash(likeness) not in self.table.repeated:
                continue
            if identity.key in self.first:
                expected = f"each {' and '.join(file.key)} once; line {self.first[identity.key]} has it already"
                yield _error(part, line, file.key[0], row, expected)
            self.first.setdefault(identity.key, line)

    def _broken_rules(self, part: ParsedTable) -> Iterator[RowError]:
        stored_rows = records.preview(self.session, part.file, part.rows, self.counting)
        yield from _rule_errors(part, zip(part.lines, stored_rows, strict=True), _required(part))

    def _unknown_codes(self, part: ParsedTable) -> Iterator[RowError]:
        for column, known in self.known.items():
            target = next(one for one in FILES[part.file].references if one.name == column).file
            named = {row.get(column) for row in part.rows}
            unknown = {code for code in named if code and code_key(code) not in known}
            for line, row in _numbered(part) if unknown else ():
                if row.get(column) in unknown:
                    expected = f"a {FILES[target].code_column} in the record or in {target}.csv of this import"
                    yield _error(part, line, column, row, expected)

    def _supersession_cycles(self, part: ParsedTable) -> Iterator[RowError]:
        for line, row in _numbered(part) if self.successor else ():
            if _leads_back(self.successor, code_key(row["code"])):
                yield _error(part, line, "superseded_by", row, "a kit that does not lead back to this one")


def _required(part: ParsedTable) -> list[str]:
    return [name for name, column in cell_columns(RECORDS[part.file]).items() if column.required]


def _rule_errors(
    part: ParsedTable, numbered: Iterable[tuple[int, Values]], required: Sequence[str]
) -> Iterator[RowError]:
    rules = RULES.get(part.file, ())
    for line, row in numbered:
        missing = [name for name in required if row.get(name) is None]
        for name in missing:
            yield _error(part, line, name, row, f"{_meaning(part, name)}; a new row needs it")
        for rule in () if missing else rules:
            if not rule.holds(row):
                yield _error(part, line, rule.column, row, rule.expected)


def _waiting_errors(part: ParsedTable, today: date) -> Iterator[RowError]:
    """Check rows that wait for their tag as they would be with one, so that each can be placed."""
    waiting = ParsedTable(part.file, part.untagged, part.untagged_lines, source=part.source)
    yield from _future_days(waiting, today)
    yield from _rule_errors(waiting, _numbered(waiting), [name for name in _required(waiting) if name != "tag"])


def _missing_keys(part: ParsedTable) -> Iterator[RowError]:
    for line, row in _numbered(part):
        for column in missing_key(FILES[part.file], row):
            yield _error(part, line, column, row, f"{_meaning(part, column)}; it is part of the key")


def _future_days(part: ParsedTable, today: date) -> Iterator[RowError]:
    for column in PAST_DAYS.get(part.file, ()):
        days = {row.get(column) for row in part.rows}
        future = {day for day in days if day and first_day(str(day)) > today}
        for line, row in _numbered(part) if future else ():
            if row.get(column) in future:
                yield _error(part, line, column, row, f"a day not after the day of import, {today}")


def _known_codes(session: Session, table: SpooledTable, tables: Sequence[SpooledTable]) -> dict[str, set[str]]:
    """Find, by column, the codes that may be named where naming does not create them, such as tags of valves."""
    known: dict[str, set[str]] = {}
    for reference in FILES[table.file].references:
        makers = [(other, column) for other in tables for column in _making(other.file, reference.file)]
        # A row left out for a bad cell of its own is no reason to blame those that name it.
        if made_by_naming(reference) or any(other.has_errors for other, _ in makers):
            continue
        known[reference.name] = records.known_codes(session, reference.file)
        for other, column in makers:
            for part in other.parts():
                known[reference.name] |= {code_key(code) for code in {row.get(column) for row in part.rows} if code}
    return known


def _making(file: str, target: str) -> list[str]:
    """Name the columns of a file that bring codes into another, or into itself."""
    if file == target:
        return [FILES[file].code_column]
    references = (one for one in FILES[file].references if isinstance(one, Reference) and one.makes_rows)
    return [one.name for one in references if one.file == target]


def _successors(session: Session, table: SpooledTable) -> dict[str, str | None]:
    """Map each kit to the kit that supersedes it, as it would be after the import."""
    successor: dict[str, str | None] = {}
    if table.file != "kits":
        return successor
    given = (row for part in table.parts() for row in part.rows)
    for row in chain(records.read_all(session, "kits"), given):
        if "superseded_by" in row:
            successor[code_key(row["code"])] = row["superseded_by"] and code_key(row["superseded_by"])
    return successor


def _leads_back(successor: dict[str, str | None], start: str) -> bool:
    kit, seen = successor.get(start), set()
    while kit and kit not in seen:
        if kit == start:
            return True
        seen.add(kit)
        kit = successor.get(kit)
    return False


def _with_key(part: ParsedTable) -> ParsedTable:
    kept = [(line, row) for line, row in _numbered(part) if not missing_key(FILES[part.file], row)]
    return ParsedTable(part.file, [row for _, row in kept], [line for line, _ in kept], source=part.source)


def _numbered(part: ParsedTable) -> Iterator[tuple[int, Values]]:
    return zip(part.lines, part.rows, strict=True)


def _meaning(part: ParsedTable, column: str) -> str:
    return cell_columns(RECORDS[part.file])[column].expected


def _error(part: ParsedTable, line: int, column: str, row: Values, expected: str) -> RowError:
    return row_error(part.source, line, column, cell_text(row.get(column), decimal_mark="."), expected)
