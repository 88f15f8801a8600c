"""What rows of a file would change, and the writing of it: a few statements however many rows there are."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import bindparam, delete, update

from models.base import Session, code_key
from models.queries.bulk import insert_columns, new_ids
from models.queries.codes import Ids, chunks
from models.queries.files import Code, Column, Members, RecordFile, Reference, Row
from models.queries.identities import Counting, Identity, identify
from models.queries.rows import Key, StoredRow, Values, stored_rows


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
    stored = known_rows(session, file, identities, counting)
    return [
        _change(file, identity, stored.get(identity.key), row) for identity, row in zip(identities, rows, strict=True)
    ]


def known_rows(
    session: Session, file: RecordFile, identities: Sequence[Identity], counting: Counting | None
) -> dict[Key, StoredRow]:
    """Find what is stored under some identities.

    Parameters
    ----------
    session : Session
        Any.
    file : RecordFile
        Where to look.
    identities : sequence of Identity
        Of its rows.
    counting : Counting or None
        Of the parts of the file before these rows.

    Returns
    -------
    dict
        By key; nothing of a file whose first part found none.
    """
    if counting and counting.found_empty:
        return {}
    return stored_rows(session, file, (identity.key for identity in identities))


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
        keys = {name: [change.identity.stored[name] for change in group] for name in group[0].identity.stored}
        columns = {**keys, **_stored_columns(file, group, ids)}
        if file.members:
            # Known before they are stored, or the rows of their members would have to wait for them one by one.
            columns["id"] = new_ids(session, file.table, len(group))
            written += zip(columns["id"], group, strict=True)
        insert_columns(session, file.table, columns)
    return written


def _update(
    session: Session, file: RecordFile, changes: Sequence[tuple[int, Change]], ids: Ids
) -> list[tuple[int, Change]]:
    statement = update(file.table).where(file.table.c.id == bindparam("row_id"))
    id_of = {change.identity.key: row_id for row_id, change in changes}
    for group in _alike([change for _, change in changes]):
        columns = _stored_columns(file, group, ids)
        if columns:
            columns["row_id"] = [id_of[change.identity.key] for change in group]
            rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
            session.execute(statement, rows)
    return list(changes)


def _alike(changes: Sequence[Change]) -> list[list[Change]]:
    """Group changes of the same columns: each group is one statement."""
    groups: dict[tuple[str, ...], list[Change]] = {}
    for change in changes:
        groups.setdefault(tuple(change.differing), []).append(change)
    return list(groups.values())


def _stored_columns(file: RecordFile, changes: Sequence[Change], ids: Ids) -> dict[str, list[Any]]:
    """Turn columns of the file, the same of every change, to columns of its table."""
    columns: dict[str, list[Any]] = {"described": [True] * len(changes)} if file.has_stubs else {}
    for column in file.columns:
        if column.name not in changes[0].differing or isinstance(column, Members):
            continue
        values = [change.differing[column.name] for change in changes]
        match column:
            case Reference(_, target, stored):
                id_of = {code: ids[target][code_key(code)] for code in set(values) if code}
                columns[stored] = [id_of.get(value) for value in values]
            case Code(name):
                columns |= {name: values, f"{name}_key": [code_key(value) for value in values]}
            case _:
                columns[column.name] = values
    return columns


def _replace_members(
    session: Session, column: Members, changes: Sequence[tuple[int, Change]], ids: dict[str, int]
) -> None:
    owner = column.table.c[column.owner]
    for owners in chunks(row_id for row_id, change in changes if change.stored):
        session.execute(delete(column.table).where(owner.in_(owners)))
    cells = [(row_id, _cell(column, change.differing[column.name])) for row_id, change in changes]
    id_of: dict[str, int | None] = {code: ids.get(code_key(code)) for _, cell in cells for code in cell}
    columns: dict[str, list[Any]] = {
        column.owner: [row_id for row_id, cell in cells for _ in cell],
        column.member: [id_of[code] for _, cell in cells for code in cell],
    }
    if column.value:
        columns[column.value] = [value for _, cell in cells for value in cell.values()]
    insert_columns(session, column.table, columns)


def _cell(column: Members, value: Any) -> dict[str, Any]:
    """Give the codes of a cell with what is said of each, if anything."""
    return value or {} if column.value else dict.fromkeys(value or ())
