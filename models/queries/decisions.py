"""What the closing of a finding made, found again by what it was about and the instant it was made, and undone."""

from typing import Any

from sqlalchemy import ColumnElement, delete, select, update
from sqlmodel import SQLModel

from models.base import Session, code_key
from models.events import Event
from models.findings import EventVoid, FindingClosing, TagMerge, UnplacedEvent
from models.register import Valve


def lift_void(session: Session, event_key: str, closing: FindingClosing) -> None:
    """Let an event be read again, if this closing is what voided it; the void of another decision stays.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    event_key : str
        What the event is known by.
    closing : FindingClosing
        That may have voided or merged it.
    """
    table, event = _table(EventVoid), _table(Event)
    of_event = table.c.event_id.in_(select(event.c.id).where(event.c.ref_key == event_key))
    session.execute(delete(EventVoid).where(of_event, *_made_by(closing, table.c.voided_at, table.c.holder)))


def lift_tag_merge(session: Session, closing: FindingClosing) -> None:
    """Let a tag be a valve of its own again, if this closing merged it.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    closing : FindingClosing
        Of a finding about a tag.
    """
    table, valves = _table(TagMerge), _table(Valve)
    of_tag = table.c.valve_id.in_(select(valves.c.id).where(valves.c.tag_key == code_key(closing.tag or "")))
    session.execute(delete(TagMerge).where(of_tag, *_made_by(closing, table.c.merged_at, table.c.holder)))


def let_wait_again(session: Session, closing: FindingClosing) -> dict[str, Any] | None:
    """Hold a row without a tag aside again, if this closing placed it.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    closing : FindingClosing
        Of a finding about such a row.

    Returns
    -------
    dict or None
        The row as it came; None where the closing left it waiting.
    """
    table = _table(UnplacedEvent)
    placed = (table.c.identity == closing.record_key, table.c.placed_at == closing.closed_at)
    row = session.execute(select(table.c.row).where(*placed)).scalar_one_or_none()
    session.execute(update(UnplacedEvent).where(*placed).values(placed_at=None))
    return None if row is None else dict(row)


def is_decided_on(session: Session, event_id: int) -> bool:
    """Say whether an event is voided, merged, or stands for another.

    Parameters
    ----------
    session : Session
        Any.
    event_id : int
        Which event.

    Returns
    -------
    bool
        True if taking it away would take a decision away.
    """
    table = _table(EventVoid)
    touching = (table.c.event_id == event_id) | (table.c.merged_into_id == event_id)
    return session.execute(select(table.c.event_id).where(touching)).first() is not None


def forget_closing(session: Session, closing: FindingClosing) -> None:
    """Let a finding be open again.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    closing : FindingClosing
        Its closing; the audit trail keeps that there was one.
    """
    session.delete(closing)
    session.flush()


def _made_by(
    closing: FindingClosing, at: ColumnElement[Any], holder: ColumnElement[Any]
) -> tuple[ColumnElement[bool], ...]:
    return at == closing.closed_at, holder == closing.holder


def _table(model: type[SQLModel]) -> Any:
    return model.metadata.tables[str(model.__tablename__)]
