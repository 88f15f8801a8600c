"""Answers kept ready: what was answered is given again, byte for byte, while nothing was committed to the record."""

from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Any

import structlog
from litestar.datastructures import State
from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from service.callers import Caller
from service.etags import RECORD_STATE
from service.front_door import CALLER
from service.record_states import RecordStates

MOST_ANSWERS, MOST_BYTES = 1024, 64 * 1024
UNDER = "/v1/"
NOT_KEPT = "not_kept"  # the option of a handler whose answers change without the record
STATUSES = (200, 304)
# Which headers of a request an answer may depend on.
ASKED_WITH = (b"accept", b"accept-encoding", b"if-none-match", b"host")
# Whoever asks for a part, or for something only if it is older, is answered as ever.
NEVER_WITH = (b"range", b"if-modified-since", b"if-match")

log = structlog.get_logger()
Question = tuple[object, ...]


@dataclass(frozen=True, kw_only=True)
class Ready:
    """An answer, finished but for what each one carries of its own.

    Parameters
    ----------
    status : int
        200 or 304.
    headers : list
        As the routes made them.
    body : bytes
        Whole.
    path_template : str
        The route that made it, for those who count requests.
    """

    status: int
    headers: list[tuple[bytes, bytes]]
    body: bytes
    path_template: str

    def size(self) -> int:
        """Count what is kept [bytes]."""
        return len(self.body) + sum(len(name) + len(value) for name, value in self.headers)


class ReadyAnswers:
    """Answers of one state of the record, those asked for last.

    Parameters
    ----------
    most : int
        How many are kept.
    most_bytes : int [bytes]
        The largest that is kept, its question included.
    """

    def __init__(self, most: int = MOST_ANSWERS, most_bytes: int = MOST_BYTES) -> None:
        self._most, self._most_bytes = most, most_bytes
        self._revision = ""
        self._answers: OrderedDict[Question, Ready] = OrderedDict()

    def __len__(self) -> int:
        return len(self._answers)

    def find(self, revision: str, question: Question) -> Ready | None:
        """Find what was answered.

        Parameters
        ----------
        revision : str
            Which state the record is in; what was answered in another one is forgotten.
        question : tuple
            All that an answer may depend on.

        Returns
        -------
        Ready or None
            None if it has to be made.
        """
        if revision != self._revision:
            self._answers.clear()
            self._revision = revision
        found = self._answers.get(question)
        if found is not None:
            self._answers.move_to_end(question)
        return found

    def keep(self, revision: str, question: Question, answer: Ready) -> None:
        """Keep an answer, and forget the one nobody asked for longest if there are too many.

        Parameters
        ----------
        revision : str
            The state of the record in which it was made, from beginning to end.
        question : tuple
            What was asked.
        answer : Ready
            Left out if it is too large.
        """
        asked = sum(len(part) for part in question if isinstance(part, str | bytes))
        if revision != self._revision or answer.size() + asked > self._most_bytes:
            return
        self._answers[question] = answer
        if len(self._answers) > self._most:
            self._answers.popitem(last=False)


@dataclass
class _Heard:
    """What an application sends, as far as it may be kept."""

    status: int = 0
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    body: bytes = b""
    is_whole: bool = False


def kept_ready(app: ASGIApp, *, state: State, answers: ReadyAnswers) -> ASGIApp:
    """Answer reads under /v1 from what is kept, once it is known who asks and that they may.

    Parameters
    ----------
    app : ASGIApp
        The routes.
    state : State
        Theirs; its `record_states` says whether anything was committed.
    answers : ReadyAnswers
        What is kept.

    Returns
    -------
    ASGIApp
        The same, quicker.
    """

    async def ready(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP or not _may_be_kept(scope):
            await app(scope, receive, send)
            return
        revision = await _revision(scope, state.record_states)
        question = _question(scope)
        found = None if revision is None else answers.find(revision, question)
        if found is not None:
            await _give(found, scope, send)
            return
        heard = _Heard()
        await app(scope, receive, _hearing(send, heard))
        if revision is None or not _is_to_be_kept(scope, heard):
            return
        if revision == await _revision(scope, state.record_states):
            made = Ready(
                status=heard.status, headers=heard.headers, body=heard.body, path_template=scope["path_template"]
            )
            answers.keep(revision, question, made)

    return ready


def _may_be_kept(scope: HTTPScope) -> bool:
    return (
        scope["method"] == "GET"
        and scope["path"].startswith(UNDER)
        and not any(name in NEVER_WITH for name, _ in scope["headers"])
    )


async def _revision(scope: HTTPScope, states: RecordStates) -> str | None:
    try:
        known = await states.now()
    except Exception as error:
        # the answer itself says what is wrong with the database
        log.debug("the state of the record can't be read", exc_info=error)
        return None
    scope["state"].setdefault(RECORD_STATE, known)
    return known.revision


def _question(scope: HTTPScope) -> Question:
    caller: Caller = scope["state"][CALLER]
    asked_with = tuple((name, value) for name, value in scope["headers"] if name in ASKED_WITH)
    return (caller.role, scope["path"], scope["query_string"], *(part for pair in asked_with for part in pair))


async def _give(answer: Ready, scope: HTTPScope, send: Send) -> None:
    known: dict[str, Any] = scope  # type: ignore[assignment]
    known["path_template"] = answer.path_template
    await send({"type": "http.response.start", "status": answer.status, "headers": [*answer.headers]})
    await send({"type": "http.response.body", "body": answer.body, "more_body": False})


def _hearing(send: Send, heard: _Heard) -> Send:
    async def send_heard(message: Message) -> None:
        if message["type"] == "http.response.start":
            heard.status, heard.headers = message["status"], [*message["headers"]]
        elif message["type"] == "http.response.body" and len(heard.body) <= MOST_BYTES:
            heard.body += message["body"]
            heard.is_whole = not message.get("more_body", False)
        await send(message)

    return send_heard


def _is_to_be_kept(scope: HTTPScope, heard: _Heard) -> bool:
    handler: Any = scope.get("route_handler")
    return (
        heard.is_whole
        and heard.status in STATUSES
        and handler is not None
        and NOT_KEPT not in handler.opt
        and not any(name.lower() == b"set-cookie" for name, _ in heard.headers)
    )
