"""What happens to a request before it is routed: may it come in, and how is its address read."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any
from urllib.parse import unquote

import msgspec
from litestar.enums import HttpMethod, ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from service import problems
from service.problem_kinds import INVALID_INPUT, KEY_REQUIRED, REFUSED, ProblemKind

PUBLIC_PATHS = ("/health/", "/problems/")
FORWARDING_HEADERS = (b"forwarded", b"via", b"x-real-ip")
USUAL_PORT = 80
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why a request is not let in."""

    kind: ProblemKind
    detail: str


Rule = Callable[[HTTPScope], Refusal | None]


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

    def rule(scope: HTTPScope) -> Refusal | None:
        forwarding = next((name for name, _ in scope["headers"] if _is_forwarding(name)), None)
        if forwarding is not None:
            detail = f"The header {forwarding.decode('latin-1')} says that the request was forwarded."
        elif not (len(_values(scope, b"host")) == 1 and hosts.issuperset(_values(scope, b"host"))):
            detail = "The Host header does not name this computer itself."
        elif not origins.issuperset(_values(scope, b"origin")):
            detail = "The Origin header names the page of another site."
        else:
            return None
        return Refusal(kind=REFUSED, detail=detail)

    return rule


def _is_forwarding(name: bytes) -> bool:
    return name in FORWARDING_HEADERS or name.startswith(b"x-forwarded-")


def _values(scope: HTTPScope, wanted: bytes) -> list[str]:
    return [value.decode("latin-1").lower() for name, value in scope["headers"] if name == wanted]


def keys_only(scope: HTTPScope) -> Refusal | None:
    """Let in nobody but those who ask for health and for what a problem means: there are no keys yet.

    Parameters
    ----------
    scope : HTTPScope
        The request.

    Returns
    -------
    Refusal or None
        401 for everything else.
    """
    if scope["path"].startswith(PUBLIC_PATHS):
        return None
    detail = (
        "Keys can't be made in this version, so this server answers nobody; "
        "`serve --open` serves the computer it runs on, and only that."
    )
    return Refusal(kind=KEY_REQUIRED, detail=detail)


def front_door(app: ASGIApp, *, rule: Rule) -> ASGIApp:
    """Stand before an application.

    HEAD is answered as GET without its body. A rule may refuse. The application is given the path still
    percent-encoded, so that a slash within a code does not cut its path; `decode_codes` decodes afterwards.

    Parameters
    ----------
    app : ASGIApp
        The application.
    rule : Rule
        Says which requests are refused.

    Returns
    -------
    ASGIApp
        The application, guarded.
    """

    async def entrance(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP:
            await app(scope, receive, send)
            return
        answer_to = send
        if scope["method"] == "HEAD":
            scope["method"], answer_to = HttpMethod.GET, _bodiless(send)
        scope["path"] = problems.instance_of(scope)
        refusal = rule(scope) or _nul_characters(scope)
        if refusal is None:
            await app(scope, receive, answer_to)
        else:
            await _refuse(refusal, scope, answer_to)

    return entrance


def decode_codes(app: ASGIApp) -> ASGIApp:
    """Decode the codes in a path once the request has been routed.

    Parameters
    ----------
    app : ASGIApp
        What was routed to.

    Returns
    -------
    ASGIApp
        The same, with codes as they were before they were put into the address.
    """

    async def with_codes(scope: Scope, receive: Receive, send: Send) -> None:
        routed: Mapping[str, Any] = scope["path_params"]
        # a new mapping: the router keeps the old one for the next request to the same path
        decoded: dict[str, Any] = {
            name: unquote(value) if isinstance(value, str) else value for name, value in routed.items()
        }
        scope["path_params"] = decoded
        await app(scope, receive, send)

    return with_codes


def _nul_characters(scope: HTTPScope) -> Refusal | None:
    # no code holds one, and PostgreSQL takes no text that does
    if b"%00" in scope["raw_path"] or b"%00" in scope["query_string"]:
        return Refusal(kind=INVALID_INPUT, detail="The address holds a NUL character.")
    return None


def _bodiless(send: Send) -> Send:
    async def headers_only(message: Message) -> None:
        if message["type"] == "http.response.body":
            message["body"] = b""
        await send(message)

    return headers_only


async def _refuse(refusal: Refusal, scope: HTTPScope, send: Send) -> None:
    problem = problems.document(refusal.kind, detail=refusal.detail, instance=problems.instance_of(scope))
    body = msgspec.json.encode(problem)
    headers = [
        (b"content-type", problems.MEDIA_TYPE.encode()),
        (b"content-length", str(len(body)).encode()),
    ]
    await send({"type": "http.response.start", "status": problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": body, "more_body": False})
