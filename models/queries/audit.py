"""The audit trail: one entry for a transaction that changed something, with the rows it changed beside it."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select
from sqlmodel import col

from models.access import AuditChange, AuditEntry
from models.base import Session
from models.queries.changes import Change
from models.queries.codes import chunks
from models.queries.files import FILES

TRAIL = "audit trail"  # where a session keeps it
Subject = Mapping[str, object]


@dataclass(frozen=True, kw_only=True)
class Actor:
    """Who does something, in which role, and in which request if it was one."""

    holder: str
    role: str
    request_id: str | None = None


@dataclass(kw_only=True)
class _Trail:
    """What a session does on whose behalf; the entry is made with the first thing worth noting."""

    actor: Actor
    at: datetime
    digests: dict[str, str] = field(default_factory=dict)
    imported: dict[str, Counter[str]] = field(default_factory=dict)
    noted: list[dict[str, Any]] = field(default_factory=list)
    entry: AuditEntry | None = None


def open_trail(session: Session, actor: Actor, *, at: datetime) -> None:
    """Say on whose behalf a session writes; without that nothing is noted.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    actor : Actor
        Who writes.
    at : datetime
        When, aware.
    """
    session.info[TRAIL] = _Trail(actor=actor, at=at)


def note(session: Session, action: str, subject: Subject) -> None:
    """Note that something was done.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    action : str
        What, in a word or two.
    subject : mapping
        To what; one more of them if the transaction has noted something already.
    """
    trail: _Trail | None = session.info.get(TRAIL)
    if trail is not None:
        trail.noted.append(_plain(subject))
        _entry(session, trail, action)


def note_digest(session: Session, file: str, digest: str) -> None:
    """Keep the digest of a file for what is noted of it afterwards.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    digest : str
        SHA-256 of its bytes, in hexadecimal digits.
    """
    trail: _Trail | None = session.info.get(TRAIL)
    if trail is not None:
        trail.digests[file] = digest


def note_import(session: Session, file: str, changes: Sequence[Change]) -> None:
    """Note what an import, or a part of one, did: counts, and each row that was changed as it was and as it is.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    file : str
        A name in FILES.
    changes : sequence of Change
        One for each row of the file; nothing is noted if none of them writes.
    """
    trail: _Trail | None = session.info.get(TRAIL)
    if trail is None:
        return
    created = sum(change.creates for change in changes)
    changed = [change for change in changes if change.writes and not change.creates]
    counts = {"created": created, "changed": len(changed), "unchanged": len(changes) - created - len(changed)}
    trail.imported.setdefault(file, Counter()).update(counts)
    if trail.entry is None and not (created or changed):
        return
    entry_id = _entry(session, trail, "import")
    for some in chunks(changed):
        session.execute(insert(AuditChange), [_row(entry_id, file, change) for change in some])


def note_change(
    session: Session, action: str, *, file: str, key: Subject, before: Subject | None, after: Subject | None
) -> None:
    """Note that a single row of the record was created, changed or deleted.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    action : str
        `create`, `change` or `delete`.
    file : str
        A name in FILES.
    key : mapping
        The columns that the row is known by.
    before, after : mapping or None
        The columns that differ; None where there is no such row.
    """
    trail: _Trail | None = session.info.get(TRAIL)
    if trail is None:
        return
    trail.noted.append({"file": file, "key": _plain(key)})
    entry_id = _entry(session, trail, action)
    session.execute(insert(AuditChange), [_values(entry_id, file, key, before, after)])


def list_entries(session: Session, *, before: int | None, limit: int) -> Sequence[AuditEntry]:
    """List what was done, the newest first.

    Parameters
    ----------
    session : Session
        Any.
    before : int or None
        Only entries older than this one.
    limit : int [rows]
        At most so many.

    Returns
    -------
    sequence of AuditEntry
        By falling id.
    """
    statement = select(AuditEntry).order_by(col(AuditEntry.id).desc()).limit(limit)
    if before is not None:
        statement = statement.where(col(AuditEntry.id) < before)
    return session.execute(statement).scalars().all()


def list_changes(session: Session, entry_id: int, *, after: int, limit: int) -> Sequence[AuditChange]:
    """List the rows an entry is about.

    Parameters
    ----------
    session : Session
        Any.
    entry_id : int
        Which entry.
    after : int
        Only changes with a larger id.
    limit : int [rows]
        At most so many.

    Returns
    -------
    sequence of AuditChange
        By rising id.
    """
    statement = (
        select(AuditChange)
        .where(col(AuditChange.entry_id) == entry_id, col(AuditChange.id) > after)
        .order_by(col(AuditChange.id))
        .limit(limit)
    )
    return session.execute(statement).scalars().all()


def _entry(session: Session, trail: _Trail, action: str) -> int:
    if trail.entry is None:
        actor = trail.actor
        trail.entry = AuditEntry(
            at=trail.at,
            holder=actor.holder,
            role=actor.role,
            request_id=actor.request_id,
            action=action,
            subjects=[],
        )
        session.add(trail.entry)
    files = [
        {"file": file, **counts, **({"sha256": trail.digests[file]} if file in trail.digests else {})}
        for file, counts in trail.imported.items()
    ]
    trail.entry.subjects = [*files, *trail.noted]
    session.flush()
    return trail.entry.id


def _row(entry_id: int, file: str, change: Change) -> dict[str, Any]:
    stored = change.stored.values if change.stored else {}
    key = {name: stored.get(name) for name in _key_columns(file)}
    before = {name: stored.get(name) for name in change.differing}
    return _values(entry_id, file, key, before, change.differing)


def _key_columns(file: str) -> tuple[str, ...]:
    return (*FILES[file].key, "done_on", "action") if file == "events" else FILES[file].key


def _values(entry_id: int, file: str, key: Subject, before: Subject | None, after: Subject | None) -> dict[str, Any]:
    return {
        "entry_id": entry_id,
        "file": file,
        "record_key": _plain(key),
        "before": None if before is None else _plain(before),
        "after": None if after is None else _plain(after),
    }


def _plain(values: Subject) -> dict[str, Any]:
    """Write dates and amounts as text."""
    plain: dict[str, Any] = json.loads(json.dumps(dict(values), default=str))
    return plain
