"""The record as files: rows in, changes made; what is stored, out."""

from collections.abc import Container, Sequence
from dataclasses import dataclass

from sqlalchemy import select

from models.base import Session, code_key
from models.queries.audit import note_import
from models.queries.changes import find_changes, known_rows, write_changes
from models.queries.codes import known_codes as known_codes
from models.queries.codes import resolve
from models.queries.codes import undescribed as undescribed
from models.queries.files import FILES, RecordFile, Row
from models.queries.identities import Counting, identify
from models.queries.rows import Values
from models.queries.rows import read_all as read_all


@dataclass(frozen=True)
class UpsertCounts:
    """What an upsert did: counts of rows, and the codes that were named for the first time, by file."""

    created: int
    changed: int
    unchanged: int
    named_but_not_described: dict[str, list[str]]


def begin_counting(session: Session, file: str, repeated: Container[int]) -> Counting:
    """Begin to go through a file in parts.

    Parameters
    ----------
    session : Session
        Any.
    file : str
        A name in FILES.
    repeated : container of int
        Hashes of the likenesses that occur in it more than once.

    Returns
    -------
    Counting
        To be handed on from part to part.
    """
    record = FILES[file]
    # a file may make stubs in its own table, which its later parts must find
    found_empty = not record.has_stubs and session.execute(select(record.table).limit(1)).first() is None
    return Counting(repeated=repeated, found_empty=found_empty)


def upsert(session: Session, file: str, rows: Sequence[Row], counting: Counting | None = None) -> UpsertCounts:
    """Bring rows of a file into the record.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    rows : sequence of Row
        None with a missing key and no two with the same. An absent column leaves the stored value, None
        or an empty list clears it.
    counting : Counting, optional
        Of the parts of the file before these rows, if it comes in parts.

    Returns
    -------
    UpsertCounts
        Rows that say what is stored already are unchanged.

    Raises
    ------
    NotFound
        If a code is named that can't be created by naming it there, as a valve's by an issue.
    """  # noqa: DOC502 (raised by resolve)
    record = FILES[file]
    resolved = resolve(session, record, rows)
    changes = find_changes(session, record, rows, counting)
    write_changes(session, record, [change for change in changes if change.writes], resolved.ids)
    note_import(session, file, changes)
    created = sum(change.creates for change in changes)
    changed = sum(change.writes for change in changes) - created
    return UpsertCounts(
        created=created,
        changed=changed,
        unchanged=len(changes) - created - changed,
        named_but_not_described=_only_named(record, rows, resolved.stubs),
    )


def preview(session: Session, file: str, rows: Sequence[Row], counting: Counting | None = None) -> list[Values]:
    """Say what each row would be after an upsert: the stored values under the given ones.

    Parameters
    ----------
    session : Session
        Any.
    file : str
        A name in FILES.
    rows : sequence of Row
        As for `upsert`.
    counting : Counting, optional
        As for `upsert`.

    Returns
    -------
    list of dict
        One for each row, in the same order.
    """
    record = FILES[file]
    identities = identify(record, rows, counting)
    stored = known_rows(session, record, identities, counting)
    known = [stored.get(identity.key) for identity in identities]
    return [{**(old.values if old else {}), **row} for old, row in zip(known, rows, strict=True)]


def _only_named(file: RecordFile, rows: Sequence[Row], stubs: dict[str, list[str]]) -> dict[str, list[str]]:
    """Leave out the stubs that rows of the same file describe."""
    if file.name not in stubs:
        return stubs
    described = {code_key(row[file.code_column]) for row in rows}
    rest = [code for code in stubs[file.name] if code_key(code) not in described]
    return {name: codes for name, codes in {**stubs, file.name: rest}.items() if codes}
