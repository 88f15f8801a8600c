"""Callers: who asks, and the key they present, taken out of the request so that nothing behind can repeat it."""

from dataclasses import dataclass
from hashlib import sha256

from litestar.types import HTTPScope

NO_KEY = 0
PLAIN_COOKIE, SECURE_COOKIE = "valve-kits-session", "__Host-valve-kits-session"
COOKIES = (SECURE_COOKIE, PLAIN_COOKIE)
SECRET_HEADERS = (b"authorization", b"cookie")


@dataclass(frozen=True, kw_only=True)
class Caller:
    """Who asks; access without a key has the id NO_KEY."""

    holder: str
    role: str
    key_id: int


@dataclass(frozen=True, kw_only=True)
class Presented:
    """The key of a request: from its Authorization header, or from its address; the cookie of one that signed in."""

    header: str | None
    address: str | None
    cookie: str | None = None


OPEN_ACCESS = Caller(holder="open access", role="admin", key_id=NO_KEY)
NOBODY = Caller(holder="nobody", role="nobody", key_id=NO_KEY)


def digest_of(token: str) -> str:
    """Hash a key; it is random and long, so that no salt and no slow hash is needed.

    Parameters
    ----------
    token : str
        The key.

    Returns
    -------
    str
        SHA-256 in hexadecimal digits.
    """
    return sha256(token.encode()).hexdigest()


def take_key(scope: HTTPScope) -> Presented:
    """Take the key out of a request: neither log, link, traceback nor answer can hold what isn't there any more.

    Parameters
    ----------
    scope : HTTPScope
        The request; left without its Authorization and Cookie headers and without the key in its query.

    Returns
    -------
    Presented
        What was found.
    """
    header = _bearer(next((value for name, value in scope["headers"] if name == b"authorization"), b""))
    cookie = _session_cookie(scope)
    scope["headers"] = [(name, value) for name, value in scope["headers"] if name not in SECRET_HEADERS]
    parameters = scope["query_string"].split(b"&")
    address = next((value for name, _, value in map(_cut, parameters) if name == b"key"), None)
    scope["query_string"] = b"&".join(text for text in parameters if _cut(text)[0] != b"key")
    return Presented(header=header, address=None if address is None else address.decode("latin-1"), cookie=cookie)


def _session_cookie(scope: HTTPScope) -> str | None:
    jars = [value.decode("latin-1") for name, value in scope["headers"] if name == b"cookie"]
    pairs = [pair.strip().partition("=") for jar in jars for pair in jar.split(";")]
    return next((value for name, _, value in pairs if name in COOKIES and value), None)


def _bearer(value: bytes) -> str | None:
    scheme, _, token = value.decode("latin-1").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def _cut(parameter: bytes) -> tuple[bytes, bytes, bytes]:
    return parameter.partition(b"=")
