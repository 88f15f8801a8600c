"""Answers to requests that may be repeated: claim a name, keep the answer, forget what is old."""

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import delete, select, update
from sqlmodel import col

from models.access import KeptAnswer
from models.base import Session


def find_kept(session: Session, *, key_id: int, name: str) -> KeptAnswer | None:
    """Look up what was asked under a name.

    Parameters
    ----------
    session : Session
        Any.
    key_id : int
        Whose name it is.
    name : str
        The Idempotency-Key.

    Returns
    -------
    KeptAnswer or None
        Without a status as long as it is being answered.
    """
    statement = select(KeptAnswer).where(col(KeptAnswer.key_id) == key_id, col(KeptAnswer.name) == name)
    return session.execute(statement).scalar_one_or_none()


def claim(session: Session, *, key_id: int, name: str, request_digest: str, asked_at: datetime) -> KeptAnswer:
    """Note that a request is being answered.

    Parameters
    ----------
    session : Session
        A writer's.
    key_id, name : int, str
        As for `find_kept`; the name is free.
    request_digest : str
        SHA-256 of all that was asked.
    asked_at : datetime
        Aware.

    Returns
    -------
    KeptAnswer
        Without a status; the answer is kept under its id.
    """
    kept = KeptAnswer(key_id=key_id, name=name, request_digest=request_digest, asked_at=asked_at, headers={}, body=b"")
    session.add(kept)
    session.flush()
    return kept


def keep(session: Session, kept_id: int, *, status: int, headers: Mapping[str, str], body: bytes) -> None:
    """Keep an answer.

    Parameters
    ----------
    session : Session
        A writer's.
    kept_id : int
        From `claim`.
    status, headers, body
        The answer.
    """
    values = {"status": status, "headers": dict(headers), "body": body}
    session.execute(update(KeptAnswer).where(col(KeptAnswer.id) == kept_id).values(values))


def release(session: Session, kept_id: int) -> None:
    """Free a name whose request had no answer worth keeping.

    Parameters
    ----------
    session : Session
        A writer's.
    kept_id : int
        From `claim`.
    """
    session.execute(delete(KeptAnswer).where(col(KeptAnswer.id) == kept_id))


def forget(session: Session, *, asked_before: datetime, begun_before: datetime) -> None:
    """Forget answers that are old, and requests whose process must have died.

    Parameters
    ----------
    session : Session
        A writer's.
    asked_before : datetime
        Answers to what was asked before.
    begun_before : datetime
        Requests without an answer from before.
    """
    old = col(KeptAnswer.asked_at) < asked_before
    abandoned = (col(KeptAnswer.asked_at) < begun_before) & col(KeptAnswer.status).is_(None)
    session.execute(delete(KeptAnswer).where(old | abandoned))
