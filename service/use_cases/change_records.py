"""One record at a time: read it, create it, change it, delete it; who changes it says which state they saw."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from typing import Any

import msgspec
from msgspec import structs

from models.base import Session, code_key
from models.engine import Engines
from models.partial_days import first_day
from models.queries import records, single_records, voids
from models.queries.files import FILES, made_by_naming
from models.queries.rows import StoredRow, read_part, stored_rows
from service.actors import acting
from service.csv_cells import cell_columns, cell_text
from service.db import read_session, write_session
from service.listings import Listing, Part, cut
from service.problem_kinds import INVALID_INPUT
from service.problems import ProblemError, ProblemFound
from service.schemas.records import RECORDS, Record
from service.schemas.results import Page
from service.settings import now
from service.use_cases.check_records import PAST_DAYS, RULES
from service.use_cases.choose_run import notice

Expect = Callable[[str], None]
ETAG_DIGITS = 32


@dataclass(frozen=True, kw_only=True)
class Found:
    """A record, the tag of the state it is in, and its address."""

    record: Record
    tag: str
    address: Sequence[str]


def list_records(engines: Engines, file: str) -> Listing[Record]:
    """List the records of a file, in the order in which they came in.

    Parameters
    ----------
    engines : Engines
        The database.
    file : str
        A name in FILES.

    Returns
    -------
    Listing
        One row per record.
    """
    return _listing(engines, file, {})


def list_events_of(engines: Engines, tag: str) -> Listing[Record]:
    """List what was done to a valve.

    Parameters
    ----------
    engines : Engines
        The database.
    tag : str
        The valve.

    Returns
    -------
    Listing
        One row per event.

    Raises
    ------
    NotFound
        If there is no such valve.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        valve = single_records.find_row(session, "valves", [tag])
    return _listing(engines, "events", {"valve_id": valve.id})


def read_record(engines: Engines, file: str, address: Sequence[str]) -> Found:
    """Read a record.

    Parameters
    ----------
    engines : Engines
        The database.
    file : str
        A name in FILES.
    address : sequence of str
        The columns of its key.

    Returns
    -------
    Found
        The record and the tag of its state.

    Raises
    ------
    NotFound
        If there is none.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        return _found(file, single_records.find_row(session, file, address))


def create_record(engines: Engines, file: str, record: Record, *, today: date) -> Found:
    """Bring a new record in.

    Parameters
    ----------
    engines : Engines
        The database.
    file : str
        A name in FILES.
    record : Record
        The record.
    today : date
        What has happened can't be dated after it.

    Returns
    -------
    Found
        As it is stored; codes it names for the first time exist from now on.

    Raises
    ------
    ProblemFound
        If columns don't go together, or name what there isn't.
    Conflict
        If there is one with that key already.
    """  # noqa: DOC502 (come from _expect_sound and the query)
    row = structs.asdict(record)
    with write_session(engines) as session:
        _expect_sound(session, file, row, today)
        stored = single_records.create_row(session, file, row)
        if file == "events":
            voids.note_recording(session, stored.id, holder=acting.get().holder, at=now())
        return _found(file, stored)


def change_record(
    engines: Engines, file: str, address: Sequence[str], given: Mapping[str, Any], *, expect: Expect, today: date
) -> Found:
    """Change a record.

    Parameters
    ----------
    engines : Engines
        The database.
    file : str
        A name in FILES.
    address : sequence of str
        The columns of its key.
    given : mapping
        The columns to change.
    expect : callable
        Given the tag of the present state, raises ProblemFound if another one was meant.
    today : date
        What has happened can't be dated after it.

    Returns
    -------
    Found
        As it is now.

    Raises
    ------
    ProblemFound
        If another state was meant, columns don't go together, or name what there isn't.
    NotFound
        If there is none.
    """  # noqa: DOC502 (NotFound comes from the query)
    with write_session(engines) as session:
        stored = single_records.find_row(session, file, address)
        expect(_found(file, stored).tag)
        if file == "events" and not stored.values["ref"]:
            _expect_same_key(stored, given)
        _expect_record(file, {**stored.values, **given})
        _expect_sound(session, file, {**stored.values, **given}, today)
        return _found(file, single_records.change_row(session, file, stored, given))


def delete_record(engines: Engines, file: str, address: Sequence[str], *, expect: Expect) -> None:
    """Delete a record.

    Parameters
    ----------
    engines : Engines
        The database.
    file : str
        A name in FILES.
    address : sequence of str
        The columns of its key.
    expect : callable
        As for `change_record`.

    Raises
    ------
    ProblemFound
        If another state was meant.
    NotFound
        If there is none.
    Conflict
        If other records name it.
    """  # noqa: DOC502 (come from expect and the query)
    with write_session(engines) as session:
        stored = single_records.find_row(session, file, address)
        expect(_found(file, stored).tag)
        single_records.delete_row(session, file, stored)


def _listing(engines: Engines, file: str, of: Mapping[str, int]) -> Listing[Record]:
    shape = RECORDS[file]

    def read(after: int, limit: int) -> Part[Record]:
        with read_session(engines) as session:
            stored = read_part(session, FILES[file], after=after, limit=limit + 1, of=of)
        return cut(stored, limit=limit, shape=lambda row: shape(**row.values))

    with read_session(engines) as session:
        return Listing(shape=shape, read=read, top=Page[Record](value=(), notice=notice(session)))


def _found(file: str, stored: StoredRow) -> Found:
    record = RECORDS[file](**stored.values)
    digest = sha256(msgspec.json.encode(record)).hexdigest()[:ETAG_DIGITS]
    return Found(record=record, tag=f'"{digest}"', address=single_records.address_of(file, stored))


def _expect_same_key(stored: StoredRow, given: Mapping[str, Any]) -> None:
    changed = [name for name in ("done_on", "action") if name in given and given[name] != stored.values[name]]
    if changed:
        expected = f"{stored.values[changed[0]]}: an event without ref is known by its day and action"
        raise _refused([ProblemError(pointer=f"/{changed[0]}", value=str(given[changed[0]]), expected=expected)])


def _expect_sound(session: Session, file: str, row: Mapping[str, Any], today: date) -> None:
    wrong = [
        ProblemError(pointer=f"/{column}", value=cell_text(row[column], decimal_mark="."), expected=expected)
        for column, expected in (
            *_unreadable(file, row),
            *((rule.column, rule.expected) for rule in RULES.get(file, ()) if not rule.holds(dict(row))),
            *_to_come(file, row, today),
            *_unknown(session, file, row),
            *_led_back(session, file, row),
        )
    ]
    if wrong:
        raise _refused(wrong)


def _refused(wrong: list[ProblemError]) -> ProblemFound:
    return ProblemFound(INVALID_INPUT, "Something in the record is not as expected.", errors=wrong)


def _expect_record(file: str, row: Mapping[str, Any]) -> None:
    try:
        RECORDS[file](**row)
    except ValueError as error:
        raise _refused([ProblemError(expected=str(error))]) from error


def _unreadable(file: str, row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in row.items():
        if isinstance(value, str) and "\0" in value:
            yield name, f"{cell_columns(RECORDS[file])[name].expected}, without NUL characters"
        if isinstance(value, list | dict) and len({code_key(code) for code in value}) < len(value):
            yield name, "each code once"


def _to_come(file: str, row: Mapping[str, Any], today: date) -> Iterator[tuple[str, str]]:
    for column in PAST_DAYS.get(file, ()):
        if row[column] and first_day(str(row[column])) > today:
            yield column, f"a day not after today, {today}"


def _unknown(session: Session, file: str, row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Find codes that naming does not create, such as the valve of an issue."""
    for reference in FILES[file].references:
        target, code = FILES[reference.file], row[reference.name]
        if code and not made_by_naming(reference) and not stored_rows(session, target, [(code_key(code),)]):
            yield reference.name, f"a {target.code_column} in the record"


def _led_back(session: Session, file: str, row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    if file != "kits" or not row["superseded_by"]:
        return
    successor = {code_key(kit["code"]): kit["superseded_by"] for kit in records.read_all(session, "kits")}
    start, kit, seen = code_key(row["code"]), code_key(row["superseded_by"]), set[str]()
    while kit and kit != start and kit not in seen:
        seen.add(kit)
        kit = code_key(successor.get(kit) or "")
    if kit == start:
        yield "superseded_by", "a kit that does not lead back to this one"
