"""One row of the record at a time: found by its address, created, changed, deleted where nothing depends on it."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, delete, func, select

from models.base import Conflict, NotFound, Session, code_key
from models.queries.audit import note_change
from models.queries.changes import Change, find_changes, write_changes
from models.queries.codes import resolve
from models.queries.files import FILES, Members, RecordFile, Reference, Row
from models.queries.identities import Identity
from models.queries.rows import StoredRow, stored_rows

EVENT_WITHOUT_REF = ":"  # joins day, action and number in the address of an event; no ref holds it


def find_row(session: Session, file: str, address: Sequence[str]) -> StoredRow:
    """Find a row.

    Parameters
    ----------
    session : Session
        Any.
    file : str
        A name in FILES.
    address : sequence of str
        The columns of its key, in that order; an event without ref has `done_on:action:number` in its place.

    Returns
    -------
    StoredRow
        As it is stored.

    Raises
    ------
    NotFound
        If there is none, or it is only named.
    """
    key = _event_key(*address) if file == "events" else tuple(code_key(part) for part in address)
    row = stored_rows(session, FILES[file], [key]).get(key)
    if row is None or not row.described:
        raise NotFound(f"{file} has no {' / '.join(address)}")
    return row


def address_of(file: str, row: StoredRow) -> list[str]:
    """Say at which address a row is found.

    Parameters
    ----------
    file : str
        A name in FILES.
    row : StoredRow
        The row.

    Returns
    -------
    list of str
        As `find_row` takes it.
    """
    if file == "events" and not row.values["ref"]:
        _, day, action, number = row.key[0].split("|")
        return [EVENT_WITHOUT_REF.join((day, action, number)), row.values["tag"]]
    return [str(row.values[name]) for name in FILES[file].key]


def create_row(session: Session, file: str, row: Row) -> StoredRow:
    """Bring a new row into the record.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    row : Row
        Every column of the file.

    Returns
    -------
    StoredRow
        As it is stored.

    Raises
    ------
    Conflict
        If there is one with that key already.
    """
    record = FILES[file]
    resolved = resolve(session, record, [row])
    (change,) = find_changes(session, record, [row])
    if not change.creates:
        raise Conflict(f"{file} has {' / '.join(str(row[name]) for name in record.key if row[name])} already")
    write_changes(session, record, [change], resolved.ids)
    stored = stored_rows(session, record, [change.identity.key])[change.identity.key]
    note_change(session, "create", file=file, key=_shown_key(record, stored), before=None, after=stored.values)
    return stored


def change_row(session: Session, file: str, stored: StoredRow, given: Mapping[str, Any]) -> StoredRow:
    """Change a row.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    stored : StoredRow
        As it is, read in the same transaction.
    given : mapping
        Columns that are no part of the key, and what they hold from now on.

    Returns
    -------
    StoredRow
        As it is now; the same if nothing differs.
    """
    record = FILES[file]
    differing = {name: value for name, value in given.items() if stored.values[name] != value}
    if not differing:
        return stored
    resolved = resolve(session, record, [differing])
    write_changes(session, record, [Change(Identity(stored.key), stored, differing)], resolved.ids)
    changed = stored_rows(session, record, [stored.key])[stored.key]
    before, after = ({name: row.values[name] for name in differing} for row in (stored, changed))
    note_change(session, "change", file=file, key=_shown_key(record, stored), before=before, after=after)
    return changed


def delete_row(session: Session, file: str, stored: StoredRow) -> None:
    """Delete a row.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    stored : StoredRow
        As it is, read in the same transaction.

    Raises
    ------
    Conflict
        If other rows name it; the message says how many of which files.
    """
    record = FILES[file]
    depending = _depending(session, record, stored.id)
    if depending:
        listed = ", ".join(f"{count} of {name}" for name, count in depending.items())
        raise Conflict(f"{' / '.join(address_of(file, stored))} is named by other rows: {listed}")
    session.execute(delete(record.table).where(record.table.c.id == stored.id))
    note_change(session, "delete", file=file, key=_shown_key(record, stored), before=stored.values, after=None)


def _event_key(ref: str, tag: str) -> tuple[str, ...]:
    if EVENT_WITHOUT_REF in ref:
        return ("|".join((code_key(tag), *code_key(ref).split(EVENT_WITHOUT_REF))),)
    return (f"{code_key(ref)}|{code_key(tag)}",)


def _shown_key(record: RecordFile, row: StoredRow) -> dict[str, Any]:
    names = (*record.key, "done_on", "action") if record.name == "events" else record.key
    return {name: row.values[name] for name in names}


def _depending(session: Session, record: RecordFile, row_id: int) -> dict[str, int]:
    found: dict[str, int] = {}
    for other in FILES.values():
        for reference in other.references:
            if reference.file == record.name:
                count = int(session.execute(_naming(other, reference, row_id)).scalar_one())
                found[other.name] = found.get(other.name, 0) + count
    return {name: count for name, count in found.items() if count}


def _naming(other: RecordFile, reference: Reference | Members, row_id: int) -> Any:
    column: ColumnElement[Any]
    if isinstance(reference, Members):
        column = reference.table.c[reference.member]
        return select(func.count(reference.table.c[reference.owner].distinct())).where(column == row_id)
    column = other.table.c[reference.stored]
    return select(func.count()).select_from(other.table).where(column == row_id)
