"""Find out whose key was presented."""

from models.access import AccessKey
from models.engine import Engines
from models.queries import keys
from service.callers import Caller, digest_of
from service.db import read_session
from service.settings import now


def find_caller(engines: Engines, token: str) -> Caller | None:
    """Find out whose key was presented.

    Parameters
    ----------
    engines : Engines
        The database.
    token : str
        What was presented.

    Returns
    -------
    Caller or None
        None for a key that is unknown, has expired or was revoked.
    """
    with read_session(engines) as session:
        return caller_of(keys.find_key(session, digest_of(token)))


def caller_of(key: AccessKey | None) -> Caller | None:
    """Say who a key lets in.

    Parameters
    ----------
    key : AccessKey or None
        As stored.

    Returns
    -------
    Caller or None
        None if there is none, or it has expired or was revoked.
    """
    if key is None or key.revoked_at is not None or (key.expires_at is not None and key.expires_at <= now()):
        return None
    return Caller(holder=key.holder, role=key.role, key_id=key.id)
