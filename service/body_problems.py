"""Problem documents of bodies and parameters that are not as expected, in the words of whoever sent them."""

from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import ValidationException
from litestar.utils.scope.state import ScopeState

from service import problems
from service.body_misfits import misfits_of, parameter_words, shown
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
    if isinstance(error, ValidationException):
        return problems.answer(request, _of_body(error, request) or _of_parameters(error, request) or error)
    return problems.answer(request, error)


def _of_body(error: ValidationException, request: Request[Any, Any, Any]) -> ProblemFound | None:
    body = ScopeState.from_scope(request.scope).body
    if not isinstance(body, bytes) or not any(one.get("source") == "body" for one in _said(error)):
        return None
    expected = request.route_handler.parsed_fn_signature.parameters.get("data")
    try:
        sent = msgspec.json.decode(body)
    except (msgspec.DecodeError, RecursionError):
        return None
    errors = [
        ProblemError(pointer=one.pointer, value=one.value, expected=one.expected)
        for one in (() if expected is None else misfits_of(sent, expected.annotation))
    ]
    # else no single field is wrong, but what they say together is
    errors = errors or [
        ProblemError(pointer="", value=shown(sent), expected=_plain(str(one.get("message", ""))))
        for one in _said(error)
        if one.get("source") == "body"
    ]
    return ProblemFound(INVALID_INPUT, "Something is not as expected.", errors=errors) if errors else None


def _of_parameters(error: ValidationException, request: Request[Any, Any, Any]) -> ProblemFound | None:
    handler = request.route_handler
    asked = [one.parsed_fn_signature for one in handler.resolve_dependencies().values()]
    known = {
        name: parameter
        for signature in (*asked, handler.parsed_fn_signature)
        for name, parameter in signature.parameters.items()
    }
    named = [str(one.get("key", "")) for one in _said(error)]
    errors = [
        ProblemError(
            parameter=name,
            value=shown(request.query_params.get(name, request.path_params.get(name))),
            expected=parameter_words(known[name].annotation, known[name].kwarg_definition),
        )
        for name in named
        if name in known and (name in request.query_params or name in request.path_params)
    ]
    whole = bool(errors) and len(errors) == len(named)
    return ProblemFound(INVALID_INPUT, "Something is not as expected.", errors=errors) if whole else None


def _said(error: ValidationException) -> list[dict[str, Any]]:
    return [one for one in error.extra or () if isinstance(one, dict)]


def _plain(message: str) -> str:
    return message.removeprefix("Expected ").partition(", got ")[0]
