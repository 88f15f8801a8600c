"""What happens to a request before it is routed: may it come in, how often, and how is its address read."""

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any
from urllib.parse import quote, unquote

import msgspec
from litestar.enums import HttpMethod, ScopeType
from litestar.types import (
    ASGIApp,
    HTTPReceiveMessage,
    HTTPScope,
    Message,
    Receive,
    Scope,
    Send,
    WebSocketReceiveMessage,
)
from structlog.contextvars import bound_contextvars

from models.queries.audit import Actor
from service import problems
from service.access_rules import Refusal, Rule
from service.actors import acting
from service.answer_headers import request_id_of, with_headers
from service.callers import NO_KEY, OPEN_ACCESS, Caller, take_key
from service.problem_kinds import INVALID_INPUT, TOO_MANY_REQUESTS
from service.rate_limits import RateLimit

CALLER = "caller"  # where the state of a request keeps who asks


@dataclass(frozen=True, kw_only=True)
class _Refused:
    problem: problems.ProblemDocument
    retry_after: str | None = None


def front_door(app: ASGIApp, *, rule: Rule, limit: RateLimit) -> ASGIApp:
    """Stand before an application.

    HEAD is answered as GET without its body. The key is taken out of the request before anything reads that. The
    application is given the path still percent-encoded, so that a slash within a code does not cut its path;
    `decode_codes` decodes afterwards.

    Parameters
    ----------
    app : ASGIApp
        The application.
    rule : Rule
        Says who asks, or why they are refused.
    limit : RateLimit
        How often one caller may ask.

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
        request_id = request_id_of(scope)
        answer_to = with_headers(answer_to, scope, request_id=request_id)
        with bound_contextvars(request_id=request_id):
            verdict = await _judge(scope, rule=rule, limit=limit)
            if (
                isinstance(verdict, _Refused)
                and verdict.problem.status == HTTPStatus.UNAUTHORIZED
                and _is_for_a_person(scope)
            ):
                await _lead_to_sign_in(scope, answer_to)
                return
            if isinstance(verdict, _Refused):
                await _refuse(verdict, answer_to)
                return
            scope.setdefault("state", {})[CALLER] = verdict
            acting.set(Actor(holder=verdict.holder, role=verdict.role, request_id=request_id))
            with bound_contextvars(key_id=verdict.key_id, role=verdict.role):
                await app(scope, _whole_bodies(scope, receive), answer_to)

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


async def _judge(scope: HTTPScope, *, rule: Rule, limit: RateLimit) -> Caller | _Refused:
    presented = take_key(scope)
    try:
        verdict = await rule(scope, presented)
    except Exception as error:
        # the database of keys can't be read: nobody is let in, and nobody is told why
        return _Refused(problem=problems.logged(error, scope), retry_after=problems.RETRY_AFTER_SECONDS)
    seconds = 0 if verdict == OPEN_ACCESS else limit.seconds_to_wait(_counted_as(scope, verdict))
    if seconds:
        detail = f"Too many requests; the next one is read in {seconds} s."
        return _refused(scope, Refusal(kind=TOO_MANY_REQUESTS, detail=detail), retry_after=str(seconds))
    if isinstance(verdict, Refusal):
        return _refused(scope, verdict)
    if b"%00" in scope["raw_path"] or b"%00" in scope["query_string"]:
        # no code holds one, and PostgreSQL takes no text that does
        return _refused(scope, Refusal(kind=INVALID_INPUT, detail="The address holds a NUL character."))
    return verdict


def _counted_as(scope: HTTPScope, verdict: Caller | Refusal) -> str:
    if isinstance(verdict, Caller) and verdict.key_id != NO_KEY:
        return f"key {verdict.key_id}"
    client = scope.get("client")
    return f"address {client[0] if client else None}"


def _refused(scope: HTTPScope, refusal: Refusal, *, retry_after: str | None = None) -> _Refused:
    instance = problems.instance_of(scope)
    problem = problems.document(refusal.kind, detail=refusal.detail, instance=instance)
    return _Refused(problem=problem, retry_after=retry_after)


def _whole_bodies(scope: HTTPScope, receive: Receive) -> Receive:
    """Take a sender who breaks off for what that is: no fault of ours, which the framework makes of it."""  # noqa: DOC501 (a problem)
    if scope["method"] == HttpMethod.GET:
        return receive
    whole = False

    async def received() -> HTTPReceiveMessage | WebSocketReceiveMessage:
        nonlocal whole
        message = await receive()
        if message["type"] == "http.disconnect" and not whole:
            raise problems.ProblemFound(INVALID_INPUT, "The body ended before it was whole.")
        whole = whole or not message.get("more_body", False)
        return message

    return received


def _bodiless(send: Send) -> Send:
    async def headers_only(message: Message) -> None:
        if message["type"] == "http.response.body":
            message["body"] = b""
        await send(message)

    return headers_only


def _is_for_a_person(scope: HTTPScope) -> bool:
    wanted = b",".join(value for name, value in scope["headers"] if name == b"accept")
    return scope["method"] == HttpMethod.GET and b"text/html" in wanted and not scope["path"].startswith("/v1/")


async def _lead_to_sign_in(scope: HTTPScope, send: Send) -> None:
    query = scope["query_string"].decode("latin-1")
    wanted = problems.instance_of(scope) + (f"?{query}" if query else "")
    headers = [(b"location", f"/sign-in?next={quote(wanted, safe='')}".encode()), (b"content-length", b"0")]
    await send({"type": "http.response.start", "status": HTTPStatus.SEE_OTHER, "headers": headers})
    await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _refuse(refused: _Refused, send: Send) -> None:
    body = msgspec.json.encode(refused.problem)
    headers = [
        (b"content-type", problems.MEDIA_TYPE.encode()),
        (b"content-length", str(len(body)).encode()),
    ]
    if refused.retry_after is not None:
        headers.append((b"retry-after", refused.retry_after.encode()))
    if refused.problem.status == HTTPStatus.UNAUTHORIZED:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": refused.problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": body, "more_body": False})
