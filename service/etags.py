"""Tags of states: which answer a caller has already, and which state of a record they mean to change."""

import asyncio
from collections.abc import Callable
from hashlib import sha256
from typing import Any

from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from service import settings
from service.problem_kinds import MATCH_REQUIRED, STALE
from service.problems import ProblemFound, instance_of
from service.record_states import RecordState, read_state

MATCH_NEEDED = frozenset({"valves", "kits", "policies", "designs", "stock_settings", "turnarounds"})
OWN_TAG = "own_tag"  # the option of a handler that tags its answers itself
ANY = "*"
TAG_DIGITS = 32
RECORD_STATE = "record_state"  # where a request keeps which state the record was in when it came


def match_expected(file: str, if_match: str | None) -> Callable[[str], None]:
    """Make the check that a change is meant for the state the record is in.

    Parameters
    ----------
    file : str
        A name in FILES.
    if_match : str or None
        The If-Match header.

    Returns
    -------
    callable
        Given the tag of the present state, raises ProblemFound if another one was meant.

    Raises
    ------
    ProblemFound
        If the header is missing where it is needed.
    """
    if if_match is None and file in MATCH_NEEDED:
        raise ProblemFound(MATCH_REQUIRED, "The request has no If-Match header; it is needed to change this record.")

    def expect(tag: str) -> None:
        if if_match is not None and not names(if_match, tag):
            raise ProblemFound(STALE, f"If-Match is {if_match[:80]}; the record is in another state.")

    return expect


def names(header: str, tag: str) -> bool:
    """Say whether a list of tags names a state.

    Parameters
    ----------
    header : str
        If-Match or If-None-Match.
    tag : str
        The tag of the state.

    Returns
    -------
    bool
        True also if the header names any state there may be.
    """
    return header.strip() == ANY or tag in [part.strip() for part in header.split(",")]


def conditional(app: ASGIApp) -> ASGIApp:
    """Tag every answer with the state of the database it was made from, and make none that the caller has already.

    Parameters
    ----------
    app : ASGIApp
        What was routed to.

    Returns
    -------
    ASGIApp
        The same; answers 304 without running a query but the one for that state.
    """

    async def tagged(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP or not _is_tagged(scope):
            await app(scope, receive, send)
            return
        # read before the answer is made: if the record changes meanwhile, the tag is too old rather than too new
        state: RecordState | None = scope["state"].get(RECORD_STATE)
        if state is None:
            state = await asyncio.to_thread(read_state, scope["litestar_app"].state.engines)
        tag = _tag(scope, state.revision)
        if names(_header(scope, b"if-none-match"), tag) and _header(scope, b"if-none-match").strip() != ANY:
            headers = [(b"etag", tag.encode()), (b"vary", b"Accept")]
            await send({"type": "http.response.start", "status": 304, "headers": headers})
            await send({"type": "http.response.body", "body": b"", "more_body": False})
            return
        await app(scope, receive, _tagging(send, tag))

    return tagged


def _is_tagged(scope: HTTPScope) -> bool:
    handler: Any = scope["route_handler"]
    return scope["method"] == "GET" and scope["path_template"].startswith("/v1/") and OWN_TAG not in handler.opt


def _tag(scope: HTTPScope, revision: str) -> str:
    query = "&".join(sorted(scope["query_string"].decode("latin-1").split("&")))
    asked = "\n".join((settings.code_version(), revision, instance_of(scope), query, _header(scope, b"accept")))
    return f'W/"{sha256(asked.encode()).hexdigest()[:TAG_DIGITS]}"'


def _header(scope: HTTPScope, wanted: bytes) -> str:
    return ",".join(value.decode("latin-1") for name, value in scope["headers"] if name == wanted)


def _tagging(send: Send, tag: str) -> Send:
    async def send_tagged(message: Message) -> None:
        if message["type"] == "http.response.start" and message["status"] == 200:
            message["headers"] = [*message["headers"], (b"etag", tag.encode())]
        await send(message)

    return send_tagged
