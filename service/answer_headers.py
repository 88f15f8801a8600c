"""What every answer carries, whatever it is: the id of its request, and what a browser may not do with it."""

import re
from collections.abc import Callable
from time import monotonic
from uuid import uuid4

import structlog
from litestar.types import HTTPScope, Message, Send

REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
# The page that describes the interface, and those that tell what a problem means, are the only ones to look at.
LOOKED_AT = ("/schema", "/assets/", "/problems/")
PAGE_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; img-src 'self' data:"
)
DATA_POLICY = "default-src 'none'"
OUR_PAGES_POLICY = "default-src 'none'; style-src 'self'; img-src 'self'"
FORMS = "form-action 'self'"
NOT_PAGES = ("/v1/", "/schema", "/assets/", "/problems/", "/health", "/metrics")
COMMON = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)

log = structlog.get_logger()


def request_id_of(scope: HTTPScope) -> str:
    """Say by which id a request is known: its own X-Request-Id, if that is one, or a new one.

    Parameters
    ----------
    scope : HTTPScope
        The request.

    Returns
    -------
    str
        At most 64 letters, digits, dots, hyphens and underscores.
    """
    given = next((value.decode("latin-1") for name, value in scope["headers"] if name == b"x-request-id"), "")
    return given if REQUEST_ID.fullmatch(given) else uuid4().hex


def with_headers(send: Send, scope: HTTPScope, *, request_id: str) -> Send:
    """Add to an answer what every answer carries, and log that it was given.

    Parameters
    ----------
    send : Send
        Where the answer goes.
    scope : HTTPScope
        What was asked.
    request_id : str
        The id of the request.

    Returns
    -------
    Send
        For the application.
    """
    carried = [*COMMON, (b"x-request-id", request_id.encode()), *_policy(scope["path"])]
    told = _logging(scope)

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            present = {name.lower() for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(pair for pair in carried if pair[0] not in present)]
            told(message["status"])
        await send(message)

    return send_with_headers


def _policy(path: str) -> list[tuple[bytes, bytes]]:
    if not path.startswith(NOT_PAGES):
        policy = f"{OUR_PAGES_POLICY}; {FORMS}; frame-ancestors 'none'; base-uri 'none'"
        # a bench computer is shared: the browser keeps no page after its holder has signed out
        return [(b"content-security-policy", policy.encode()), (b"cache-control", b"private, no-store")]
    looked_at = path.startswith(LOOKED_AT)
    policy = f"{PAGE_POLICY if looked_at else DATA_POLICY}; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    headers = [(b"content-security-policy", policy.encode())]
    # revalidated with the ETag each time: the record may have changed since
    return headers if looked_at else [*headers, (b"cache-control", b"private, no-cache")]


def _logging(scope: HTTPScope) -> Callable[[int], None]:
    began, method, path = monotonic(), scope["method"], scope["path"]

    def tell(status: int) -> None:
        log.info("request", method=method, path=path, status=status, seconds=round(monotonic() - began, 4))

    return tell
