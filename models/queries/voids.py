"""Events that no forecast reads, tags that are another valve's, who recorded an event, rows that have no tag."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select, update
from sqlmodel import col

from models.base import Conflict, Session, code_key
from models.events import Event
from models.findings import EventRecording, EventVoid, TagMerge, UnplacedEvent
from models.queries.files import FILES
from models.register import Valve


@dataclass(frozen=True, kw_only=True)
class Void:
    """That an event isn't read while its facts are those; `merged_into` is the key of the one that stands for both."""

    facts_digest: str
    merged_into: str | None


@dataclass(frozen=True, kw_only=True)
class Decided:
    """Who decided something, when and why."""

    holder: str
    at: datetime
    reason: str


def event_keys(session: Session) -> list[str]:
    """List what every event is known by, in the order in which `read_all` reads the events.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    list of str
        One for each event.
    """
    table, valves = FILES["events"].table, FILES["valves"].table
    order = (valves.c.tag_key, table.c.done_on, table.c.action, table.c.number, table.c.ref_key)
    joined = table.join(valves, table.c.valve_id == valves.c.id)
    return list(session.execute(select(table.c.ref_key).select_from(joined).order_by(*order)).scalars())


def voids(session: Session) -> dict[str, Void]:
    """Read all voids.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    dict from key of the event to Void
        Of events that are in the record.
    """
    table, event, kept = _table(EventVoid), _table(Event), _table(Event).alias("kept")
    joined = table.join(event, table.c.event_id == event.c.id).outerjoin(kept, table.c.merged_into_id == kept.c.id)
    columns = (event.c.ref_key, table.c.facts_digest, kept.c.ref_key)
    return {
        key: Void(facts_digest=digest, merged_into=into)
        for key, digest, into in session.execute(select(*columns).select_from(joined))
    }


def store_void(session: Session, event_id: int, *, digest: str, merged_into_id: int | None, by: Decided) -> None:
    """Keep an event from being read; a void of what it said before is replaced.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    event_id : int
        Which event.
    digest : str
        Of the facts it is voided for.
    merged_into_id : int or None
        The event that stands for both.
    by : Decided
        Who, when, why.

    Raises
    ------
    Conflict
        If it is voided with these facts already.
    """
    old = session.get(EventVoid, event_id)
    if old is not None and old.facts_digest == digest:
        raise Conflict(f"the event was voided already, by {old.holder}: {old.reason}")
    session.merge(
        EventVoid(
            event_id=event_id,
            facts_digest=digest,
            merged_into_id=merged_into_id,
            reason=by.reason,
            holder=by.holder,
            voided_at=by.at,
        )
    )
    session.flush()


def merged_tags(session: Session) -> dict[str, str]:
    """Read which tags are another valve's.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    dict from tag to tag
        Both as the register writes them.
    """
    old, new, table = _table(Valve), _table(Valve).alias("new"), _table(TagMerge)
    joined = table.join(old, table.c.valve_id == old.c.id).join(new, table.c.into_valve_id == new.c.id)
    return {tag: into for tag, into in session.execute(select(old.c.tag, new.c.tag).select_from(joined))}


def merge_tag(session: Session, tag: str, *, into: str, by: Decided) -> None:
    """Say that a tag is another valve's.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    tag, into : str
        Tags of the register.
    by : Decided
        Who, when.

    Raises
    ------
    Conflict
        If there is no such other valve, or it is itself read as another.
    """
    tags = _table(Valve)
    ids = {key: row for key, row in session.execute(select(tags.c.tag_key, tags.c.id))}
    old, new = ids.get(code_key(tag)), ids.get(code_key(into))
    if old is None or new is None or old == new:
        raise Conflict(f"merge {tag} needs the tag of another valve of the register, got {into}")
    table = _table(TagMerge)
    taken = select(table.c.valve_id).where(table.c.valve_id.in_((old, new)) | (table.c.into_valve_id == old))
    if session.execute(taken).first() is not None:
        raise Conflict(f"{tag} or {into} is merged with another tag already")
    session.add(TagMerge(valve_id=old, into_valve_id=new, holder=by.holder, merged_at=by.at))
    session.flush()


def note_recording(session: Session, event_id: int, *, holder: str, at: datetime) -> None:
    """Note who recorded an event.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    event_id : int
        Which event.
    holder : str
        Of the key it came with.
    at : datetime
        When.
    """
    session.add(EventRecording(event_id=event_id, holder=holder, recorded_at=at))
    session.flush()


def recording_of(session: Session, event_id: int) -> EventRecording | None:
    """Say who recorded an event.

    Parameters
    ----------
    session : Session
        Any.
    event_id : int
        Which event.

    Returns
    -------
    EventRecording or None
        None: it came with a file.
    """
    return session.get(EventRecording, event_id)


def hold_aside(session: Session, rows: Sequence[tuple[str, Mapping[str, Any]]]) -> int:
    """Keep rows without a tag.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    rows : sequence of (identity, row)
        As they came, plain JSON.

    Returns
    -------
    int [rows]
        How many are new; the others are held already, or were placed.
    """
    table = _table(UnplacedEvent)
    known = set(session.execute(select(table.c.identity)).scalars()) if rows else set()
    new = [UnplacedEvent(identity=identity, row=dict(row)) for identity, row in rows if identity not in known]
    session.add_all(new)
    session.flush()
    return len(new)


def held_aside(session: Session) -> Sequence[UnplacedEvent]:
    """List the rows without a tag that nobody has placed yet.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    sequence of UnplacedEvent
        As they came in.
    """
    waiting = select(UnplacedEvent).where(col(UnplacedEvent.placed_at).is_(None)).order_by(col(UnplacedEvent.id))
    return session.execute(waiting).scalars().all()


def place(session: Session, identity: str, *, at: datetime) -> dict[str, Any]:
    """Take a row without a tag out of those held aside.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    identity : str
        Which row.
    at : datetime
        When.

    Returns
    -------
    dict
        The row as it came.

    Raises
    ------
    Conflict
        If it is not held aside any more.
    """
    table = _table(UnplacedEvent)
    wanted = (table.c.identity == identity, table.c.placed_at.is_(None))
    row = session.execute(select(table.c.row).where(*wanted)).scalar_one_or_none()
    if row is None:
        raise Conflict("this row isn't held aside any more")
    session.execute(update(UnplacedEvent).where(*wanted).values(placed_at=at))
    return dict(row)


def _table(model: Any) -> Any:
    return model.metadata.tables[str(model.__tablename__)]
