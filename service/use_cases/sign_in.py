"""Sign a browser in with a key, and out again."""

import secrets

from models.engine import Engines
from models.queries import browser_sessions
from service.callers import Caller, digest_of
from service.db import lease_session, read_session
from service.form_tokens import LASTS
from service.settings import now
from service.use_cases.check_key import caller_of, find_caller

RANDOM_BYTES = 32
NEVER_SIGNED_IN = "sheet"
"""The role whose keys stand in addresses, where others may read them."""


def sign_in(engines: Engines, token: str) -> str | None:
    """Begin a session of a browser.

    Parameters
    ----------
    engines : Engines
        The database.
    token : str
        A key.

    Returns
    -------
    str or None
        The cookie, which is stored nowhere; None if the key doesn't let anybody in.
    """
    caller = find_caller(engines, token)
    if caller is None or caller.role == NEVER_SIGNED_IN:
        return None
    cookie, began_at = secrets.token_urlsafe(RANDOM_BYTES), now()
    with lease_session(engines) as session:
        browser_sessions.begin(
            session, digest=digest_of(cookie), key_id=caller.key_id, began_at=began_at, ends_at=began_at + LASTS
        )
    return cookie


def find_signed_in(engines: Engines, cookie: str) -> Caller | None:
    """Find out who signed in in a browser.

    Parameters
    ----------
    engines : Engines
        The database.
    cookie : str
        What the browser sent.

    Returns
    -------
    Caller or None
        None for a session that is unknown or over, or whose key has expired or was revoked.
    """
    with read_session(engines) as session:
        return caller_of(browser_sessions.find_key_of(session, digest_of(cookie), at=now()))


def sign_out(engines: Engines, digest: str) -> None:
    """End the session of a browser.

    Parameters
    ----------
    engines : Engines
        The database.
    digest : str
        SHA-256 of its cookie.
    """
    with lease_session(engines) as session:
        browser_sessions.end(session, digest)


def sign_out_everywhere(engines: Engines, key_id: int) -> None:
    """End the sessions of every browser that signed in with a key.

    Parameters
    ----------
    engines : Engines
        The database.
    key_id : int
        Which key.
    """
    with lease_session(engines) as session:
        browser_sessions.end_all(session, key_id=key_id)
