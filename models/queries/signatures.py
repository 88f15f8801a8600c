"""Signatures of turnarounds and what came after them: stored and listed, never changed."""

from collections.abc import Sequence
from typing import TypeVar

from sqlmodel import col, select

from models.base import NotFound, Session, code_key
from models.register import Valve
from models.signatures import LateScope, Signature, TurnaroundActual
from models.turnarounds import ScopeLine, Turnaround

After = TypeVar("After", LateScope, TurnaroundActual)


def get_turnaround(session: Session, code: str) -> Turnaround:
    """Read a turnaround.

    Parameters
    ----------
    session : Session
        Any.
    code : str
        Compared without regard to case.

    Returns
    -------
    Turnaround
        Of the record.

    Raises
    ------
    NotFound
        If there is none of that code.
    """
    found = session.exec(select(Turnaround).where(Turnaround.code_key == code_key(code))).one_or_none()
    if found is None:
        raise NotFound(f"there is no turnaround {code}")
    return found


def decisions(session: Session, turnaround: Turnaround) -> list[dict[str, str | None]]:
    """List what was decided about single valves.

    Parameters
    ----------
    session : Session
        Any.
    turnaround : Turnaround
        Of the record.

    Returns
    -------
    list of dict
        By tag.
    """
    wanted = (
        select(Valve.tag, ScopeLine.decision, ScopeLine.reason, ScopeLine.decided_by)
        .join(Valve, col(Valve.id) == ScopeLine.valve_id)
        .where(ScopeLine.turnaround_id == turnaround.id)
        .order_by(col(Valve.tag_key))
    )
    return [
        {"tag": tag, "decision": decision, "reason": reason, "decided_by": by}
        for tag, decision, reason, by in session.exec(wanted)
    ]


def find_signature(session: Session, code: str) -> Signature | None:
    """Find the signature of a turnaround.

    Parameters
    ----------
    session : Session
        Any.
    code : str
        Of the turnaround.

    Returns
    -------
    Signature or None
        None: it isn't signed.
    """
    return session.exec(select(Signature).where(Signature.turnaround_key == code_key(code))).one_or_none()


def store_signature(session: Session, signature: Signature) -> Signature:
    """Store a signature; the database refuses a second one of the same turnaround.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    signature : Signature
        Its key is made here.

    Returns
    -------
    Signature
        With its id.
    """
    signature.turnaround_key = code_key(signature.turnaround)
    session.add(signature)
    session.flush()
    return signature


def store_after(session: Session, row: After) -> After:
    """Store later scope, or what was paid.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    row : LateScope or TurnaroundActual
        New.

    Returns
    -------
    LateScope or TurnaroundActual
        With its id.
    """
    session.add(row)
    session.flush()
    return row


def list_after(session: Session, table: type[After], signature_id: int, *, after: int, limit: int) -> Sequence[After]:
    """List later scope, or what was paid, the first first.

    Parameters
    ----------
    session : Session
        A reader's.
    table : type
        LateScope or TurnaroundActual.
    signature_id : int
        Of which signature.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of rows
        By id.
    """
    wanted = select(table).where(table.signature_id == signature_id, col(table.id) > after)
    return session.exec(wanted.order_by(col(table.id)).limit(limit)).all()
