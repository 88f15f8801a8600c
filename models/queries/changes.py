"""What rows of a file would change, and the writing of it: a few statements however many rows there are."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import bindparam, delete, insert, update

from models.base import Session, code_key
from models.queries.codes import Ids, chunks
from models.queries.files import Code, Column, Members, RecordFile, Reference, Row
from models.queries.identities import Counting, Identity, identify
from models.queries.rows import StoredRow, Values, stored_rows


@dataclass(frozen=True)
class Change:
    """A row, what is stored of it, and those of its values that differ from that."""

    identity: Identity
    stored: StoredRow | None
    differing: Values

    @property
    def creates(self) -> bool:
        """Whether the record first gets this row now; a stub was only a name."""
        return self.stored is None or not self.stored.described

    @property
    def writes(self) -> bool:
        """Whether there is anything to do."""
        return self.creates or bool(self.differing)


def find_changes(
    session: Session, file: RecordFile, rows: Sequence[Row], counting: Counting | None = None
) -> list[Change]:
    """Compare rows with what is stored.

    Parameters
    ----------
    session : Session
        Any.
    file : RecordFile
        The file the rows stand in.
    rows : sequence of Row
        None with a missing key.
    counting : Counting, optional
        Of the parts of the file before these rows.

    Returns
    -------
    list of Change
        One for each row, in the same order.
    """
    identities = identify(file, rows, counting)
    stored = stored_rows(session, file, (identity.key for identity in identities))
    return [
        _change(file, identity, stored.get(identity.key), row) for identity, row in zip(identities, rows, strict=True)
    ]


def write_changes(session: Session, file: RecordFile, changes: Sequence[Change], ids: Ids) -> None:
    """Write what differs.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : RecordFile
        The file the changes belong to.
    changes : sequence of Change
        Those that write.
    ids : dict
        Of every code that the changes name.
    """
    new = [change for change in changes if change.stored is None]
    old = [(change.stored.id, change) for change in changes if change.stored]
    written = [*_insert(session, file, new, ids), *_update(session, file, old, ids)]
    for column in file.members:
        touched = [(row_id, change) for row_id, change in written if column.name in change.differing]
        _replace_members(session, column, touched, ids[column.file])


def _change(file: RecordFile, identity: Identity, stored: StoredRow | None, row: Row) -> Change:
    if stored is None:
        return Change(identity, None, dict(row))
    differing = {
        column.name: row[column.name]
        for column in file.columns
        if column.name in row and not _same(column, stored.values[column.name], row[column.name])
    }
    return Change(identity, stored, differing)


def _same(column: Column, stored: object, given: object) -> bool:
    return stored == given or _compared(column, stored) == _compared(column, given)


def _compared(column: Column, value: Any) -> object:
    match column:
        case Reference():
            return code_key(value) if value else None
        case Members(value=None):
            return {code_key(code) for code in value or ()}
        case Members():
            return {code_key(code): of_code for code, of_code in (value or {}).items()}
    return value


def _insert(session: Session, file: RecordFile, changes: Sequence[Change], ids: Ids) -> list[tuple[int, Change]]:
    written: list[tuple[int, Change]] = []
    for group in _alike(changes):
        rows = [{**change.identity.stored, **_stored_values(file, change, ids)} for change in group]
        if file.members:
            # Matched by key: to get ids in the order of the rows, SQLite would insert them one by one.
            key = file.table.c[f"{file.code_column}_key"]
            statement = insert(file.table).returning(key, file.table.c.id)
            id_of = {row[0]: row[1] for row in session.execute(statement, rows)}
            written += [(id_of[change.identity.key[0]], change) for change in group]
        else:
            session.execute(insert(file.table), rows)
    return written


def _update(
    session: Session, file: RecordFile, changes: Sequence[tuple[int, Change]], ids: Ids
) -> list[tuple[int, Change]]:
    statement = update(file.table).where(file.table.c.id == bindparam("row_id"))
    id_of = {change.identity.key: row_id for row_id, change in changes}
    for group in _alike([change for _, change in changes]):
        rows = [{"row_id": id_of[c.identity.key], **_stored_values(file, c, ids)} for c in group]
        if len(rows[0]) > 1:
            session.execute(statement, rows)
    return list(changes)


def _alike(changes: Sequence[Change]) -> list[list[Change]]:
    """Group changes of the same columns: each group is one statement."""
    groups: dict[frozenset[str], list[Change]] = {}
    for change in changes:
        groups.setdefault(frozenset(change.differing), []).append(change)
    return list(groups.values())


def _stored_values(file: RecordFile, change: Change, ids: Ids) -> Values:
    """Turn columns of the file to columns of its table."""
    values: Values = {"described": True} if file.has_stubs else {}
    for column in file.columns:
        if column.name not in change.differing or isinstance(column, Members):
            continue
        value = change.differing[column.name]
        match column:
            case Reference(_, target, stored):
                values[stored] = ids[target][code_key(value)] if value else None
            case Code(name):
                values |= {name: value, f"{name}_key": code_key(value)}
            case _:
                values[column.name] = value
    return values


def _replace_members(
    session: Session, column: Members, changes: Sequence[tuple[int, Change]], ids: dict[str, int]
) -> None:
    owner = column.table.c[column.owner]
    for owners in chunks(row_id for row_id, change in changes if change.stored):
        session.execute(delete(column.table).where(owner.in_(owners)))
    rows = [
        {column.owner: row_id, column.member: ids.get(code_key(code)), **of_code}
        for row_id, change in changes
        for code, of_code in _cell(column, change.differing[column.name])
    ]
    if rows:
        session.execute(insert(column.table), rows)


def _cell(column: Members, value: Any) -> list[tuple[str, Values]]:
    if column.value is None:
        return [(code, {}) for code in dict.fromkeys(value or ())]
    return [(code, {column.value: of_code}) for code, of_code in (value or {}).items()]
