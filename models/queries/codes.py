"""Codes and ids: which id a code has, and a stub for a code that nobody described yet."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, and_, select

from models.base import NotFound, Session, code_key
from models.findings import TagMerge
from models.queries.bulk import insert_columns, new_ids
from models.queries.files import FILES, Members, Plain, RecordFile, Reference, Row, made_by_naming

CHUNK = 500  # bound parameters of one statement, well below what either database takes

Value = TypeVar("Value")

Ids = dict[str, dict[str, int]]  # file -> key of a code -> id

MADE_BY_NAMING = {
    reference.file for file in FILES.values() for reference in file.references if made_by_naming(reference)
}


@dataclass(frozen=True)
class Resolved:
    """Ids of every code that some rows name, and the codes a stub had to be made for."""

    ids: Ids
    stubs: dict[str, list[str]]


def resolve(session: Session, file: RecordFile, rows: Sequence[Row]) -> Resolved:
    """Find the ids of all codes that rows of a file name; a code nobody described gets a stub.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : RecordFile
        The file the rows stand in.
    rows : sequence of Row
        Columns that refer to other files may be absent.

    Returns
    -------
    Resolved
        Stubs by file, in the order the rows name them.

    Raises
    ------
    NotFound
        If a code is named that naming doesn't make.
    """
    ids: Ids = {}
    stubs: dict[str, list[str]] = {}
    for target, named in _named_codes(file, rows).items():
        ids[target] = _ids_of(session, FILES[target], named)
        missing = [code for key, code in named.items() if key not in ids[target]]
        if missing:
            if not any(made_by_naming(reference) for reference in file.references if reference.file == target):
                raise NotFound(f"{target} has no {', '.join(missing)}")
            ids[target] |= _create_stubs(session, FILES[target], missing)
            stubs[target] = missing
    return Resolved(ids, stubs)


def chunks(values: Iterable[Value]) -> Iterator[list[Value]]:
    """Cut values into lists that fit into one statement.

    Parameters
    ----------
    values : iterable
        Any number of them.

    Yields
    ------
    list
        At most CHUNK values.
    """
    listed = list(values)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]


def known_codes(session: Session, file: str) -> set[str]:
    """List the codes of a file as they are compared.

    Parameters
    ----------
    session : Session
        Any.
    file : str
        A file whose rows have a code or tag of their own.

    Returns
    -------
    set of str
        Keys as `models.base.code_key` makes them, stubs included.
    """
    table = FILES[file].table
    return set(session.execute(select(table.c[f"{FILES[file].code_column}_key"])).scalars())


def undescribed(session: Session) -> list[tuple[str, str]]:
    """List the codes that were named but never described; a tag merged into another is no code of its own.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    list of (file, code)
        File by file, each in the order of its codes.
    """
    found: list[tuple[str, str]] = []
    for file in FILES.values():
        if file.name in MADE_BY_NAMING:
            code, key = (file.table.c[name] for name in (file.code_column, f"{file.code_column}_key"))
            bare = select(code).where(_says_nothing_else(file)).order_by(key)
            found += [(file.name, one) for one in session.execute(bare).scalars()]
    return found


def _says_nothing_else(file: RecordFile) -> ColumnElement[bool]:
    """Tell the rows that are a code and no more; without a mark of their own they are known by what they lack."""
    table = file.table
    if file.has_stubs:
        return ~table.c.described
    unsaid = [table.c[column.name].is_(None) for column in file.columns if isinstance(column, Plain)]
    unsaid += [table.c[column.stored].is_(None) for column in file.columns if isinstance(column, Reference)]
    listed = [table.c.id.not_in(select(column.table.c[column.owner])) for column in file.members]
    merged = select(TagMerge.metadata.tables["tag_merges"].c.valve_id)
    return and_(*unsaid, *listed, table.c.id.not_in(merged))


def _named_codes(file: RecordFile, rows: Sequence[Row]) -> dict[str, dict[str, str]]:
    """File -> key -> code as first spelled."""
    named: dict[str, dict[str, str]] = {reference.file: {} for reference in file.references}
    for reference in file.references:
        codes = named[reference.file]
        for code in _distinct(reference, [row.get(reference.name) for row in rows]):
            codes.setdefault(code_key(code), code)
    return named


def _distinct(reference: Reference | Members, values: Iterable[Any]) -> list[str]:
    codes = chain.from_iterable(value for value in values if value) if isinstance(reference, Members) else values
    return [code for code in dict.fromkeys(codes) if code]


def _ids_of(session: Session, file: RecordFile, keys: Iterable[str]) -> dict[str, int]:
    key = file.table.c[f"{file.code_column}_key"]
    found: dict[str, int] = {}
    for chunk in chunks(keys):
        rows = session.execute(select(key, file.table.c.id).where(key.in_(chunk)))
        found |= {row[0]: row[1] for row in rows}
    return found


def _create_stubs(session: Session, file: RecordFile, codes: Sequence[str]) -> dict[str, int]:
    keys, ids = [code_key(code) for code in codes], new_ids(session, file.table, len(codes))
    columns: dict[str, list[Any]] = {"id": ids, file.code_column: list(codes), f"{file.code_column}_key": keys}
    if file.has_stubs:
        columns["described"] = [False] * len(codes)
    insert_columns(session, file.table, columns)
    return dict(zip(keys, ids, strict=True))
