"""Make keys, list them, revoke them."""

import secrets
from datetime import datetime

from forecasting.errors import InvalidInput
from models.access import ROLES
from models.engine import Engines
from models.queries import audit, keys
from service.callers import digest_of
from service.db import read_session, write_session
from service.listings import Listing, Part, cut
from service.schemas.access import KeyOut, NewKeyOut
from service.schemas.results import Page, from_row
from service.settings import now

PREFIX = "vk_"  # so that a key is known for one wherever it should not be
RANDOM_BYTES = 32


def create_key(engines: Engines, *, role: str, holder: str, expires_at: datetime | None) -> NewKeyOut:
    """Make a key.

    Parameters
    ----------
    engines : Engines
        The database.
    role : str
        One of `models.access.ROLES`.
    holder : str
        The person or program it belongs to.
    expires_at : datetime or None
        Aware; from then on it is refused.

    Returns
    -------
    NewKeyOut
        With the key itself, which is stored nowhere.

    Raises
    ------
    InvalidInput
        If there is no such role, the holder has no name, or the key would be refused from the beginning.
    """
    if role not in ROLES:
        raise InvalidInput(f"role is {role}, expected one of {', '.join(ROLES)}")
    if not holder.strip():
        raise InvalidInput("holder is empty, expected the name of a person or program")
    if expires_at is not None and expires_at <= now():
        raise InvalidInput(f"expires_at is {expires_at.isoformat()}, expected a time to come")
    token = PREFIX + secrets.token_urlsafe(RANDOM_BYTES)
    with write_session(engines) as session:
        stored = keys.create_key(
            session,
            digest=digest_of(token),
            role=role,
            holder=holder.strip(),
            created_at=now(),
            expires_at=expires_at,
        )
        audit.note(session, "create key", {"key": stored.id, "role": role, "holder": stored.holder})
        return from_row(NewKeyOut, stored, key=token)


def revoke_key(engines: Engines, key_id: int) -> KeyOut:
    """Refuse a key from now on.

    Parameters
    ----------
    engines : Engines
        The database.
    key_id : int
        Which one.

    Returns
    -------
    KeyOut
        As it is now.

    Raises
    ------
    NotFound
        If there is none.
    """  # noqa: DOC502 (comes from the query)
    with write_session(engines) as session:
        stored = keys.get_key(session, key_id)
        if stored.revoked_at is None:
            keys.revoke_key(session, key_id, revoked_at=now())
            audit.note(session, "revoke key", {"key": key_id, "role": stored.role, "holder": stored.holder})
        return from_row(KeyOut, stored)


def read_key(engines: Engines, key_id: int) -> KeyOut:
    """Look at a key.

    Parameters
    ----------
    engines : Engines
        The database.
    key_id : int
        Which one.

    Returns
    -------
    KeyOut
        Everything but the key itself.

    Raises
    ------
    NotFound
        If there is none.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        return from_row(KeyOut, keys.get_key(session, key_id))


def list_keys(engines: Engines) -> Listing[KeyOut]:
    """List the keys, the oldest first.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    Listing
        One row per key, expired and revoked ones too.
    """

    def read(after: int, limit: int) -> Part[KeyOut]:
        with read_session(engines) as session:
            stored = keys.list_keys(session, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda key: from_row(KeyOut, key))

    return Listing(shape=KeyOut, read=read, top=Page[KeyOut](value=()))
