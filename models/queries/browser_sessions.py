"""Browsers that are signed in: begin, find and end what a key began."""

from datetime import datetime

from sqlalchemy import delete, select
from sqlmodel import col

from models.access import AccessKey, BrowserSession
from models.base import Session


def begin(session: Session, *, digest: str, key_id: int, began_at: datetime, ends_at: datetime) -> None:
    """Remember a browser, and forget those whose time is over.

    Parameters
    ----------
    session : Session
        A writer's.
    digest : str
        SHA-256 of the cookie, in hexadecimal digits.
    key_id : int
        The key it was begun with.
    began_at, ends_at : datetime
        Aware.
    """
    session.execute(delete(BrowserSession).where(col(BrowserSession.ends_at) <= began_at))
    session.add(BrowserSession(digest=digest, key_id=key_id, began_at=began_at, ends_at=ends_at))
    session.flush()


def find_key_of(session: Session, digest: str, *, at: datetime) -> AccessKey | None:
    """Find the key that a browser signed in with.

    Parameters
    ----------
    session : Session
        Any.
    digest : str
        SHA-256 of the cookie.
    at : datetime
        Aware; a session that has ended by then is none.

    Returns
    -------
    AccessKey or None
        Expired and revoked ones too.
    """
    joined = select(AccessKey).join(BrowserSession, col(BrowserSession.key_id) == col(AccessKey.id))
    statement = joined.where(col(BrowserSession.digest) == digest, col(BrowserSession.ends_at) > at)
    return session.execute(statement).scalar_one_or_none()


def end(session: Session, digest: str) -> None:
    """Forget one browser.

    Parameters
    ----------
    session : Session
        A writer's.
    digest : str
        SHA-256 of its cookie.
    """
    session.execute(delete(BrowserSession).where(col(BrowserSession.digest) == digest))


def end_all(session: Session, *, key_id: int) -> None:
    """Forget every browser that signed in with a key.

    Parameters
    ----------
    session : Session
        A writer's.
    key_id : int
        The key.
    """
    session.execute(delete(BrowserSession).where(col(BrowserSession.key_id) == key_id))
