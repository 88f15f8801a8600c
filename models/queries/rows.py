"""Rows of the record as they stand in its files: codes instead of ids, many codes as a list or a mapping."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, FromClause, Select, literal, select

from models.base import Session
from models.queries.codes import CHUNK, chunks
from models.queries.files import EVERY_MEMBER, FILES, Code, Members, Plain, RecordFile, Reference

Key = tuple[str, ...]
Values = dict[str, Any]


@dataclass(frozen=True)
class StoredRow:
    """A row of the database under the key of its identity; a stub is not described."""

    id: int
    key: Key
    described: bool
    values: Values


@dataclass(frozen=True)
class _Query:
    """A file as a query, the names of its plain result columns, what compares and what orders its rows."""

    statement: Select[Any]
    names: list[str]
    known_by: list[ColumnElement[Any]]
    order: list[ColumnElement[Any]]


def read_all(session: Session, file: str) -> Iterator[Values]:
    """Read a file of the record.

    Parameters
    ----------
    session : Session
        Stays open until the last row is taken.
    file : str
        A name in FILES.

    Yields
    ------
    dict
        Every column of the file; rows come in the order of its key, events by valve and day. A code that
        is only named, not described, has no row.
    """
    query = _query(FILES[file])
    statement = query.statement.order_by(*query.order)
    if FILES[file].has_stubs:
        statement = statement.where(FILES[file].table.c.described)
    for stored in _fetch(session, FILES[file], query, statement):
        yield stored.values


def read_part(session: Session, file: RecordFile, *, after: int, limit: int, of: Mapping[str, int]) -> list[StoredRow]:
    """Read some rows of a file, in the order in which they came into the record.

    Parameters
    ----------
    session : Session
        Any.
    file : RecordFile
        Which file.
    after : int
        Only rows with a larger id.
    limit : int [rows]
        At most so many.
    of : mapping
        Columns of the table and what they must hold; empty for all rows.

    Returns
    -------
    list of StoredRow
        By rising id; a code that is only named has no row.
    """
    query, table = _query(file), file.table
    statement = query.statement.where(table.c.id > after, *(table.c[name] == value for name, value in of.items()))
    if file.has_stubs:
        statement = statement.where(table.c.described)
    return list(_fetch(session, file, query, statement.order_by(table.c.id).limit(limit)))


def stored_rows(session: Session, file: RecordFile, keys: Iterable[Key]) -> dict[Key, StoredRow]:
    """Find the rows that have one of some keys.

    Parameters
    ----------
    session : Session
        Any.
    file : RecordFile
        Where to look.
    keys : iterable of tuple of str
        As `identify` makes them.

    Returns
    -------
    dict
        By key; a key that no row has is absent.
    """
    wanted = set(keys)
    query = _query(file)
    found: dict[Key, StoredRow] = {}
    # Looked up by the first part of the key alone: one index serves it on either database.
    for firsts in chunks(sorted({key[0] for key in wanted})):
        statement = query.statement.where(query.known_by[0].in_(firsts))
        found |= {row.key: row for row in _fetch(session, file, query, statement) if row.key in wanted}
    return found


def _query(file: RecordFile) -> _Query:
    table = file.table
    source: FromClause = table
    columns: dict[str, ColumnElement[Any]] = {}
    compared: dict[str, ColumnElement[Any]] = dict(table.c)
    for column in file.columns:
        match column:
            case Plain(name):
                columns[name] = table.c[name]
            case Code(name):
                columns[name], compared[name] = table.c[name], table.c[f"{name}_key"]
            case Reference(name, target, stored):
                code = FILES[target].code_column
                other = FILES[target].table.alias(name)
                source = source.outerjoin(other, table.c[stored] == other.c.id)
                columns[name], compared[name] = other.c[code], other.c[f"{code}_key"]
    known_by = [compared[name] for name in file.known_by]
    described = table.c.described if file.has_stubs else literal(True)
    return _Query(
        select(table.c.id, described, *columns.values(), *known_by).select_from(source),
        list(columns),
        known_by,
        [compared[name] for name in file.order],
    )


def _fetch(session: Session, file: RecordFile, query: _Query, statement: Select[Any]) -> Iterator[StoredRow]:
    width = 2 + len(query.names)
    headers = [column.name for column in file.columns]
    result = session.execute(statement.execution_options(yield_per=CHUNK))
    for partition in result.partitions():
        ids = [row[0] for row in partition]
        members = {column.name: _members(session, column, ids) for column in file.members}
        for row in partition:
            values = dict(zip(query.names, row[2:width], strict=True))
            values |= {name: of_row[row[0]] for name, of_row in members.items()}
            yield StoredRow(row[0], tuple(row[width:]), row[1], {name: values[name] for name in headers})


def _members(session: Session, column: Members, ids: Sequence[int]) -> dict[int, Any]:
    """Read what the cells of some rows list, in the order of the codes."""
    target, table = FILES[column.file], column.table
    code, key = target.table.c[target.code_column], target.table.c[f"{target.code_column}_key"]
    statement = (
        select(table.c[column.owner], code, *([table.c[column.value]] if column.value else []))
        .select_from(table.outerjoin(target.table, table.c[column.member] == target.table.c.id))
        .where(table.c[column.owner].in_(ids))
        .order_by(table.c[column.owner], key)
    )
    cells: dict[int, Any] = {row_id: {} if column.value else [] for row_id in ids}
    for owner, member, *value in session.execute(statement):
        if value:
            cells[owner][member or EVERY_MEMBER] = value[0]
        else:
            cells[owner].append(member)
    return cells
