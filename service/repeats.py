"""Requests sent again under the same Idempotency-Key: answered with what was answered, done once."""

import asyncio
import json
import math
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256
from typing import IO, Any

from litestar.enums import ScopeType
from litestar.exceptions import ClientException
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from models.access import KeptAnswer
from models.engine import Engines
from models.queries import kept_answers
from service.db import write_session
from service.front_door import CALLER
from service.problem_kinds import CONFLICT, INVALID_INPUT, REPEATED_DIFFERENTLY
from service.problems import ProblemFound, instance_of
from service.settings import now

NAME = re.compile(r"[\x21-\x7e]{1,255}", re.ASCII)
KEPT_FOR = timedelta(hours=24)
GIVEN_UP_AFTER = timedelta(minutes=10)
SPOOL_MEMORY = 1024 * 1024
BLOCK = 64 * 1024
TOO_LARGE, FIRST_OF_OURS = 413, 500
SHOWN_ONCE = "shown_once"  # the option of a handler: a member of its answer that is never kept
KEPT_HEADERS = ("content-type", "location", "cache-control", "etag")


@dataclass
class _Answer:
    """What is sent while it is sent."""

    status: int = FIRST_OF_OURS
    headers: Mapping[str, str] | None = None
    body: bytes = b""


def repeatable(app: ASGIApp) -> ASGIApp:
    """Answer a POST once for each Idempotency-Key, and again from what was kept.

    Parameters
    ----------
    app : ASGIApp
        What was routed to.

    Returns
    -------
    ASGIApp
        The same for requests without that header.
    """

    async def once(scope: Scope, receive: Receive, send: Send) -> None:
        name = _name(scope) if scope["type"] == ScopeType.HTTP else None
        if scope["type"] != ScopeType.HTTP or name is None:
            await app(scope, receive, send)
            return
        engines: Engines = scope["litestar_app"].state.engines
        with tempfile.SpooledTemporaryFile(SPOOL_MEMORY) as spool:
            digest = await _read(scope, receive, spool)
            key_id = scope["state"][CALLER].key_id
            kept = await asyncio.to_thread(_claim, engines, key_id, name, digest)
            if kept.status is not None:
                await _give_again(kept, send)
                return
            # what is kept must be readable for whoever asks again
            scope["headers"] = [pair for pair in scope["headers"] if pair[0] != b"accept-encoding"]
            answer = _Answer()
            try:
                await app(scope, _from_spool(spool, receive), _copying(send, answer))
            finally:
                handler: Any = scope["route_handler"]
                await asyncio.to_thread(_keep, engines, kept.id, answer, handler.opt.get(SHOWN_ONCE))

    return once


def _name(scope: HTTPScope) -> str | None:
    given = [value.decode("latin-1") for name, value in scope["headers"] if name == b"idempotency-key"]
    if scope["method"] != "POST" or not given:
        return None
    if len(given) > 1 or not NAME.fullmatch(given[0]):
        raise ProblemFound(INVALID_INPUT, "Idempotency-Key is expected once, 1 to 255 printable ASCII characters.")
    return given[0]


async def _read(scope: HTTPScope, receive: Receive, spool: IO[bytes]) -> str:
    handler: Any = scope["route_handler"]
    most = handler.resolve_request_max_body_size() or math.inf
    kind = next((value for name, value in scope["headers"] if name == b"content-type"), b"")
    digest = sha256(b"\n".join((instance_of(scope).encode(), scope["query_string"], kind, b"")))
    size, more = 0, True
    while more:
        message = await receive()
        chunk: bytes = message.get("body", b"") if message["type"] == "http.request" else b""
        more = message["type"] == "http.request" and message.get("more_body", False)
        size += len(chunk)
        if size > most:
            raise ClientException("Request Entity Too Large", status_code=TOO_LARGE)
        digest.update(chunk)
        spool.write(chunk)
    spool.seek(0)
    return digest.hexdigest()


def _claim(engines: Engines, key_id: int, name: str, digest: str) -> KeptAnswer:
    at = now()
    with write_session(engines) as session:
        kept_answers.forget(session, asked_before=at - KEPT_FOR, begun_before=at - GIVEN_UP_AFTER)
        kept = kept_answers.find_kept(session, key_id=key_id, name=name)
        if kept is None:
            return kept_answers.claim(session, key_id=key_id, name=name, request_digest=digest, asked_at=at)
    if kept.request_digest != digest:
        raise ProblemFound(REPEATED_DIFFERENTLY, "This Idempotency-Key came with another path, query, type or body.")
    if kept.status is None:
        raise ProblemFound(CONFLICT, "The request with this Idempotency-Key is still being answered.")
    return kept


def _keep(engines: Engines, kept_id: int, answer: _Answer, shown_once: str | None) -> None:
    with write_session(engines) as session:
        if answer.status >= FIRST_OF_OURS or answer.headers is None:
            kept_answers.release(session, kept_id)
            return
        body = answer.body
        if shown_once is not None and answer.headers.get("content-type") == "application/json":
            members = json.loads(body)
            members.pop(shown_once, None)
            body = json.dumps(members).encode()
        kept_answers.keep(session, kept_id, status=answer.status, headers=answer.headers, body=body)


def _from_spool(spool: IO[bytes], receive: Receive) -> Receive:
    ended = False

    async def read_again() -> Any:
        nonlocal ended
        if ended:
            return await receive()
        chunk = spool.read(BLOCK)
        ended = len(chunk) < BLOCK
        return {"type": "http.request", "body": chunk, "more_body": not ended}

    return read_again


def _copying(send: Send, answer: _Answer) -> Send:
    async def copy(message: Message) -> None:
        if message["type"] == "http.response.start":
            answer.status = message["status"]
            headers = {name.decode().lower(): value.decode("latin-1") for name, value in message["headers"]}
            answer.headers = {name: value for name, value in headers.items() if name in KEPT_HEADERS}
        elif message["type"] == "http.response.body":
            answer.body += message["body"]
        await send(message)

    return copy


async def _give_again(kept: KeptAnswer, send: Send) -> None:
    headers = [(name.encode(), str(value).encode("latin-1")) for name, value in kept.headers.items()]
    headers += [(b"content-length", str(len(kept.body)).encode()), (b"idempotency-replayed", b"true")]
    await send({"type": "http.response.start", "status": kept.status or FIRST_OF_OURS, "headers": headers})
    await send({"type": "http.response.body", "body": kept.body, "more_body": False})
