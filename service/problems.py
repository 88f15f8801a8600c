"""Problem documents (RFC 9457): which error is which problem, and how it is told to the client."""

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

import structlog
from litestar import Request, Response
from litestar.exceptions import HTTPException, ValidationException
from msgspec import Struct
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from forecasting.errors import InfeasibleTarget, InsufficientData, InvalidInput, NoConvergence
from models.base import Busy, Conflict, Crossed, Damaged, NotFound, Unwritable
from models.queries.runs import AnotherRunIsOpen
from service.problem_kinds import (
    CONFLICT,
    INFEASIBLE_TARGET,
    INTERNAL_ERROR,
    INVALID_INPUT,
    KIND_OF_STATUS,
    NO_CONVERGENCE,
    NOT_ENOUGH_DATA,
    NOT_FOUND,
    UNAVAILABLE,
    ProblemKind,
)

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_SECONDS = "5"

log = structlog.get_logger()


class ProblemError(Struct, kw_only=True, omit_defaults=True):
    """One thing that is wrong: where it stands, what it is, what was expected."""

    file: str | None = None
    line: int | None = None
    column: str | None = None
    pointer: str | None = None
    parameter: str | None = None
    value: str | None = None
    expected: str | None = None


class ProblemDocument(Struct, kw_only=True, omit_defaults=True):
    """What went wrong, in the form of RFC 9457."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: Sequence[ProblemError] = ()


class ProblemFound(Exception):
    """What was asked for can't be done; it says itself which kind of problem that is."""

    def __init__(self, kind: ProblemKind, detail: str, *, errors: Sequence[ProblemError] = ()) -> None:
        super().__init__(detail)
        self.kind = kind
        self.errors = errors


KIND_OF: dict[type[Exception], ProblemKind] = {
    InvalidInput: INVALID_INPUT,
    InsufficientData: NOT_ENOUGH_DATA,
    NoConvergence: NO_CONVERGENCE,
    InfeasibleTarget: INFEASIBLE_TARGET,
    NotFound: NOT_FOUND,
    Conflict: CONFLICT,
    AnotherRunIsOpen: CONFLICT,
    Busy: UNAVAILABLE,
    Crossed: UNAVAILABLE,
    Unwritable: UNAVAILABLE,
    Damaged: UNAVAILABLE,
}
STATUS_OF: dict[type[Exception], int] = {error: kind.status for error, kind in KIND_OF.items()}


def document(kind: ProblemKind, *, detail: str, instance: str, errors: Sequence[ProblemError] = ()) -> ProblemDocument:
    """Fill in a problem document.

    Parameters
    ----------
    kind : ProblemKind
        What kind of problem it is.
    detail : str
        This case, in a sentence.
    instance : str
        The path that was asked for, percent-encoded and without its query (which may hold a key).
    errors : sequence of ProblemError
        The single things that are wrong.

    Returns
    -------
    ProblemDocument
        What is sent as the body.
    """
    return ProblemDocument(
        type=f"/problems/{kind.name}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=instance,
        errors=errors,
    )


def instance_of(scope: Mapping[str, Any]) -> str:
    """Say which path was asked for.

    Parameters
    ----------
    scope : mapping
        The ASGI scope of the request.

    Returns
    -------
    str
        The path, percent-encoded, without the query.
    """
    raw_path: bytes = scope["raw_path"]
    return raw_path.partition(b"?")[0].decode("ascii", errors="replace")


def answer(request: Request[Any, Any, Any], error: Exception) -> Response[ProblemDocument]:
    """Turn whatever was raised while answering into a problem document.

    Parameters
    ----------
    request : Request
        What was asked.
    error : Exception
        What was raised.

    Returns
    -------
    Response
        The problem document, with its status and headers.
    """
    problem = logged(error, request.scope)
    headers = dict(error.headers or {}) if isinstance(error, HTTPException) else {}
    if problem.status == HTTPStatus.SERVICE_UNAVAILABLE:
        headers["Retry-After"] = RETRY_AFTER_SECONDS
    return Response(problem, status_code=problem.status, media_type=MEDIA_TYPE, headers=headers)


def logged(error: Exception, scope: Mapping[str, Any]) -> ProblemDocument:
    """Find the problem document of whatever was raised, and log what is ours to mend.

    Parameters
    ----------
    error : Exception
        What was raised.
    scope : mapping
        The ASGI scope of the request.

    Returns
    -------
    ProblemDocument
        As `problem_of` finds it.
    """
    instance = instance_of(scope)
    problem = problem_of(error, instance)
    if problem.status == HTTPStatus.SERVICE_UNAVAILABLE:
        log.warning("unavailable", method=scope["method"], path=instance, exc_info=error)
    if problem.status == HTTPStatus.INTERNAL_SERVER_ERROR:
        log.error("unhandled error", method=scope["method"], path=instance, exc_info=error)
    return problem


def problem_of(error: Exception, instance: str) -> ProblemDocument:
    """Find the problem document of whatever was raised.

    Parameters
    ----------
    error : Exception
        What was raised.
    instance : str
        As for `document`.

    Returns
    -------
    ProblemDocument
        Without anything of the inside, whatever it was.
    """
    if isinstance(error, ProblemFound):
        return document(error.kind, detail=str(error), instance=instance, errors=error.errors)
    if isinstance(error, RecursionError):
        return document(INVALID_INPUT, detail="The body is nested too deeply.", instance=instance)
    if isinstance(error, HTTPException):
        return _from_http(error, instance)
    if isinstance(error, OperationalError | PoolTimeout):
        return document(UNAVAILABLE, detail="The database is busy or can't be reached.", instance=instance)
    return _from_domain(error, instance)


def _from_domain(error: Exception, instance: str) -> ProblemDocument:
    kind = next((KIND_OF[base] for base in type(error).__mro__ if base in KIND_OF), None)
    if kind is None:
        return document(INTERNAL_ERROR, detail="The fault was logged.", instance=instance)
    return document(kind, detail=str(error), instance=instance)


def _from_http(error: HTTPException, instance: str) -> ProblemDocument:
    if error.status_code == HTTPStatus.INTERNAL_SERVER_ERROR:
        return document(INTERNAL_ERROR, detail="The fault was logged.", instance=instance)
    kind = KIND_OF_STATUS.get(error.status_code, INVALID_INPUT)
    if isinstance(error, ValidationException) and isinstance(error.extra, list):
        errors = [_from_validation(message) for message in error.extra]
        return document(kind, detail="Something is not as expected.", instance=instance, errors=errors)
    # the framework appends the whole address, query included
    detail = error.detail.partition(" for path ")[0]
    detail = kind.advice if detail == HTTPStatus(error.status_code).phrase else detail
    return document(kind, detail=detail, instance=instance)


def _from_validation(message: Mapping[str, Any]) -> ProblemError:
    key, expected = message.get("key", ""), message.get("message", "")
    if message.get("source") == "body":
        return ProblemError(pointer="/" + key.removeprefix("data").replace(".", "/"), expected=expected)
    return ProblemError(parameter=key, expected=expected)
