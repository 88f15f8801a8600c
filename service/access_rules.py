"""Who is let in: those on this computer itself, or holders of a key."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import parse_qs

from litestar.types import HTTPScope

from models.engine import Engines
from service.callers import NOBODY, OPEN_ACCESS, Caller, Presented, digest_of
from service.form_tokens import secret_of
from service.problem_kinds import KEY_REQUIRED, REFUSED, ROLE_TOO_LOW, ProblemKind
from service.use_cases.check_key import find_caller
from service.use_cases.sign_in import find_signed_in

PUBLIC_PATHS = ("/health/", "/problems/", "/sign-in", "/assets/pages/")
FORM_SECRET, SESSION_DIGEST = "form_secret", "session_digest"
"""Where the state of a request keeps what the forms of its browser are signed with, and which session it is."""
FORWARDING_HEADERS = (b"forwarded", b"via", b"x-real-ip")
USUAL_PORT = 80
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
CELLS = "/v1/cell/"
ARCHIVE = ".zip"
SHEET = "sheet"


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why a request is not let in."""

    kind: ProblemKind
    detail: str


Rule = Callable[[HTTPScope, Presented], Awaitable[Caller | Refusal]]


def is_loopback(host: str) -> bool:
    """Say whether only this computer can reach an address.

    Parameters
    ----------
    host : str
        An address, or `localhost`.

    Returns
    -------
    bool
        True if it is a loopback address.
    """
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def loopback_only(port: int) -> Rule:
    """Let in what was asked on this computer itself: not forwarded, under a loopback name, by no other site's page.

    A foreign Host is what a hostile page sends after pointing its own name here; a foreign Origin is what it
    sends when it posts a form here.

    Parameters
    ----------
    port : int
        The port that is served.

    Returns
    -------
    Rule
        Refuses every other request with 403.
    """
    hosts = {f"{name}:{port}" for name in LOOPBACK_NAMES} | (set(LOOPBACK_NAMES) if port == USUAL_PORT else set())
    origins = {f"http://{host}" for host in hosts}

    async def rule(scope: HTTPScope, _: Presented) -> Caller | Refusal:
        forwarding = next((name for name, _ in scope["headers"] if _is_forwarding(name)), None)
        if forwarding is not None:
            detail = f"The header {forwarding.decode('latin-1')} says that the request was forwarded."
        elif not (len(_values(scope, b"host")) == 1 and hosts.issuperset(_values(scope, b"host"))):
            detail = "The Host header does not name this computer itself."
        elif not origins.issuperset(_values(scope, b"origin")):
            detail = "The Origin header names the page of another site."
        else:
            return OPEN_ACCESS
        return Refusal(kind=REFUSED, detail=detail)

    return rule


def keys_required(engines: Callable[[], Engines]) -> Rule:
    """Let in holders of a key, and browsers that signed in with one; health, problems and sign-in are everybody's.

    Parameters
    ----------
    engines : callable
        Gives the database, once the application has started.

    Returns
    -------
    Rule
        Refuses every other request with 401, and a key in the address where it must not stand with 403.
    """

    async def rule(scope: HTTPScope, presented: Presented) -> Caller | Refusal:
        if scope["path"].startswith(PUBLIC_PATHS):
            return NOBODY
        token = presented.header or presented.address
        if token is None and presented.cookie is not None:
            return await _signed_in(scope, engines(), presented.cookie)
        if token is None:
            return Refusal(kind=KEY_REQUIRED, detail="The request carries no key: Authorization: Bearer KEY.")
        caller = await asyncio.to_thread(find_caller, engines(), token)
        if caller is None:
            return Refusal(kind=KEY_REQUIRED, detail="The key is not known, has expired or was revoked.")
        in_address = presented.header is None
        return _misplaced(scope, caller) or caller if in_address else caller

    return rule


async def _signed_in(scope: HTTPScope, engines: Engines, cookie: str) -> Caller | Refusal:
    caller = await asyncio.to_thread(find_signed_in, engines, cookie)
    if caller is None:
        return Refusal(kind=KEY_REQUIRED, detail="The sign-in of this browser is over.")
    if scope["method"] != "GET" and scope["path"].startswith("/v1/"):
        # a browser sends cookies on behalf of any page; only forms of ours, with their token, change something
        return Refusal(kind=REFUSED, detail="The sign-in of a browser changes nothing under /v1; send a key.")
    scope.setdefault("state", {}).update({FORM_SECRET: secret_of(cookie), SESSION_DIGEST: digest_of(cookie)})
    return caller


def _misplaced(scope: HTTPScope, caller: Caller) -> Refusal | None:
    if caller.role != SHEET:
        detail = f"A key of the role {caller.role} may not stand in an address; send it as Authorization: Bearer KEY."
        return Refusal(kind=ROLE_TOO_LOW, detail=detail)
    formats = parse_qs(scope["query_string"].decode("latin-1")).get("format")
    is_list = formats == ["csv"] and not scope["path"].endswith(ARCHIVE)
    if scope["method"] == "GET" and (is_list or scope["path"].startswith(CELLS)):
        return None
    detail = "A key may stand in the address of a list with format=csv, or of a cell; nowhere else."
    return Refusal(kind=ROLE_TOO_LOW, detail=detail)


def _is_forwarding(name: bytes) -> bool:
    return name in FORWARDING_HEADERS or name.startswith(b"x-forwarded-")


def _values(scope: HTTPScope, wanted: bytes) -> list[str]:
    return [value.decode("latin-1").lower() for name, value in scope["headers"] if name == wanted]
