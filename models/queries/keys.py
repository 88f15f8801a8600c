"""Keys: make one, find one by its digest, list and revoke them."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlmodel import col

from models.access import AccessKey
from models.base import NotFound, Session


def create_key(
    session: Session, *, digest: str, role: str, holder: str, created_at: datetime, expires_at: datetime | None
) -> AccessKey:
    """Store a new key.

    Parameters
    ----------
    session : Session
        A writer's.
    digest : str
        SHA-256 of the key, in hexadecimal digits.
    role : str
        One of `models.access.ROLES`.
    holder : str
        The person or program it belongs to.
    created_at : datetime
        Aware.
    expires_at : datetime or None
        From then on it is refused; None is never.

    Returns
    -------
    AccessKey
        With its id.
    """
    key = AccessKey(digest=digest, role=role, holder=holder, created_at=created_at, expires_at=expires_at)
    session.add(key)
    session.flush()
    return key


def find_key(session: Session, digest: str) -> AccessKey | None:
    """Look a key up.

    Parameters
    ----------
    session : Session
        Any.
    digest : str
        SHA-256 of what was presented.

    Returns
    -------
    AccessKey or None
        Expired and revoked ones too.
    """
    return session.execute(select(AccessKey).where(col(AccessKey.digest) == digest)).scalar_one_or_none()


def get_key(session: Session, key_id: int) -> AccessKey:
    """Read a key.

    Parameters
    ----------
    session : Session
        Any.
    key_id : int
        Which one.

    Returns
    -------
    AccessKey
        As stored.

    Raises
    ------
    NotFound
        If there is none.
    """
    key = session.get(AccessKey, key_id)
    if key is None:
        raise NotFound(f"there is no key {key_id}")
    return key


def list_keys(session: Session, *, after: int, limit: int) -> Sequence[AccessKey]:
    """List keys, the oldest first.

    Parameters
    ----------
    session : Session
        Any.
    after : int
        Only keys with a larger id.
    limit : int [rows]
        At most so many.

    Returns
    -------
    sequence of AccessKey
        By rising id.
    """
    statement = select(AccessKey).where(col(AccessKey.id) > after).order_by(col(AccessKey.id)).limit(limit)
    return session.execute(statement).scalars().all()


def revoke_key(session: Session, key_id: int, *, revoked_at: datetime) -> AccessKey:
    """Refuse a key from now on.

    Parameters
    ----------
    session : Session
        A writer's.
    key_id : int
        Which one.
    revoked_at : datetime
        Aware; one that was revoked already keeps its own.

    Returns
    -------
    AccessKey
        As it is now.

    Raises
    ------
    NotFound
        If there is none.
    """  # noqa: DOC502 (comes from get_key)
    key = get_key(session, key_id)
    key.revoked_at = key.revoked_at or revoked_at
    return key
