"""How pages leave: with what every page says of itself; and forms, which must come from a page of ours."""

from collections.abc import Mapping
from typing import Any

from litestar import MediaType, Request, Response
from litestar.exceptions import HTTPException

from models.engine import Engines
from service import problems
from service.access_rules import FORM_SECRET, SESSION_DIGEST
from service.callers import Caller
from service.form_tokens import form_token, is_token
from service.front_door import CALLER
from service.pages.rendering import render
from service.problem_kinds import REFUSED
from service.problems import ProblemFound
from service.schemas.results import CAUTIONS
from service.settings import now, today
from service.use_cases.look_up import read_standing

AnyRequest = Request[Any, Any, Any]
TOKEN = "form_token"


def answer_page(
    request: AnyRequest, engines: Engines, template: str, *, status: int = 200, **values: object
) -> Response[str]:
    """Answer with a page.

    Parameters
    ----------
    request : Request
        What was asked.
    engines : Engines
        The database.
    template : str
        File of the page.
    status : int
        Of the answer.
    **values : object
        What the page shows.

    Returns
    -------
    Response
        HTML.
    """
    caller: Caller = request.scope["state"][CALLER]
    shown = {
        "standing": read_standing(engines, today=today()),
        "here": request.url.path,
        "caller": caller,
        "signed_in": SESSION_DIGEST in request.scope["state"],
        "token_for": lambda path: form_token(_secret(request), path, at=now()),
        "cautions": CAUTIONS,
        **values,
    }
    return Response(render(template, shown), media_type=MediaType.HTML, status_code=status)


def answer_problem(request: AnyRequest, error: Exception) -> Response[str]:
    """Answer with a page that says what went wrong.

    Parameters
    ----------
    request : Request
        What was asked.
    error : Exception
        What was raised.

    Returns
    -------
    Response
        HTML with the status that a program would get.
    """
    problem = problems.logged(error, request.scope)
    headers = dict(error.headers or {}) if isinstance(error, HTTPException) else {}
    page = render("problem.html", {"problem": problem, "plain_page": True})
    return Response(page, media_type=MediaType.HTML, status_code=problem.status, headers=headers)


def expect_own_form(request: AnyRequest, form: Mapping[str, str]) -> None:
    """Refuse a form that was not filled in on a page of ours, in this browser.

    Parameters
    ----------
    request : Request
        What was sent.
    form : mapping
        Its fields.

    Raises
    ------
    ProblemFound
        If another site's page sent it, or its token is of another browser, form or session, or too old.
    """
    if not _is_same_origin(request):
        raise ProblemFound(REFUSED, "The form was sent by the page of another site.")
    if not is_token(_secret(request), problems.instance_of(request.scope), form.get(TOKEN, ""), at=now()):
        raise ProblemFound(REFUSED, "The form is out of date: open its page again and send it from there.")


def _secret(request: AnyRequest) -> str:
    # without a sign-in there is no session to bind a form to, but only this process knows its secret
    secret: str = request.scope["state"].get(FORM_SECRET) or request.app.state[FORM_SECRET]
    return secret


def _is_same_origin(request: AnyRequest) -> bool:
    fetched_from = request.headers.get("sec-fetch-site")
    if fetched_from is not None:
        return fetched_from == "same-origin"
    origin = request.headers.get("origin")
    return origin is None or origin.partition("://")[2].lower() == request.headers.get("host", "").lower()
