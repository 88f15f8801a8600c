"""Problem documents of bodies that are not as expected, in the words of whoever sent them."""

from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import ValidationException
from litestar.utils.scope.state import ScopeState

from service import problems
from service.body_misfits import misfits_of, shown
from service.problem_kinds import INVALID_INPUT
from service.problems import ProblemDocument, ProblemError, ProblemFound


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
        As `problems.answer` gives it; of a JSON body with every field that is wrong.
    """
    return problems.answer(request, _told_plainly(error, request))


def _told_plainly(error: Exception, request: Request[Any, Any, Any]) -> Exception:
    body = ScopeState.from_scope(request.scope).body
    if not isinstance(error, ValidationException) or not isinstance(body, bytes):
        return error
    expected = request.route_handler.parsed_fn_signature.parameters.get("data")
    try:
        sent = msgspec.json.decode(body)
    except (msgspec.DecodeError, RecursionError):
        return error
    errors = [
        ProblemError(pointer=one.pointer, value=one.value, expected=one.expected)
        for one in (() if expected is None else misfits_of(sent, expected.annotation))
    ]
    # else no single field is wrong, but what they say together is
    errors = errors or [
        ProblemError(pointer="", value=shown(sent), expected=_plain(str(one.get("message", ""))))
        for one in error.extra or ()
        if isinstance(one, dict) and one.get("source") == "body"
    ]
    return ProblemFound(INVALID_INPUT, "Something is not as expected.", errors=errors) if errors else error


def _plain(message: str) -> str:
    return message.removeprefix("Expected ").partition(", got ")[0]
