"""Tokens of forms: which page of ours a form was filled in on, by whose browser, and that it is sent once."""

import hmac
import secrets
from datetime import UTC, datetime, timedelta
from hashlib import sha256

LASTS = timedelta(hours=12)
NONCE_BYTES = 12


def secret_of(cookie: str) -> str:
    """Derive what the forms of a browser are signed with.

    Parameters
    ----------
    cookie : str
        Of its session.

    Returns
    -------
    str
        Known to nobody who doesn't know the cookie.
    """
    return sha256(f"forms of {cookie}".encode()).hexdigest()


def new_secret() -> str:
    """Make up what forms are signed with where nobody signs in.

    Returns
    -------
    str
        Of 32 random bytes.
    """
    return secrets.token_hex(32)


def form_token(secret: str, path: str, *, at: datetime) -> str:
    """Make the token of a form.

    Parameters
    ----------
    secret : str
        Of the browser.
    path : str
        Where the form is sent.
    at : datetime
        Aware; when it was made.

    Returns
    -------
    str
        Never made twice, so that it also names the one request it may make.
    """
    made = f"{int(at.timestamp())}.{secrets.token_urlsafe(NONCE_BYTES)}"
    return f"{made}.{_signature(secret, path, made)}"


def is_token(secret: str, path: str, token: str, *, at: datetime) -> bool:
    """Say whether a form was filled in on a page of ours.

    Parameters
    ----------
    secret : str
        Of the browser that sent it.
    path : str
        Where it was sent.
    token : str
        What came with it.
    at : datetime
        Aware; when it came.

    Returns
    -------
    bool
        False for the token of another form or browser, and for one that is too old.
    """
    made, _, signature = token.rpartition(".")
    if not hmac.compare_digest(signature.encode(), _signature(secret, path, made).encode()):
        return False
    since = datetime.fromtimestamp(int(made.partition(".")[0]), tz=UTC)
    return since <= at <= since + LASTS


def _signature(secret: str, path: str, made: str) -> str:
    return hmac.new(secret.encode(), f"{path}\n{made}".encode(), sha256).hexdigest()
