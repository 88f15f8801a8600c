"""Sign a browser in with a key, and out again."""

from typing import Annotated, Any
from urllib.parse import urlsplit

from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.enums import RequestEncodingType
from litestar.params import Body, QueryParameter
from litestar.response import Redirect

from models.engine import Engines
from service.access_rules import SESSION_DIGEST, is_loopback
from service.callers import OPEN_ACCESS, PLAIN_COOKIE, SECURE_COOKIE, Caller
from service.front_door import CALLER
from service.problem_kinds import TOO_MANY_REQUESTS
from service.problems import ProblemFound
from service.rate_limits import RateLimit
from service.routes.page_answers import AnyRequest, answer_page, expect_own_form
from service.use_cases import sign_in

Form = Annotated[dict[str, str], Body(media_type=RequestEncodingType.URL_ENCODED)]
Next = Annotated[str, QueryParameter(max_length=2000, description="Where to go then.")]


@get("/sign-in", sync_to_thread=True)
def get_sign_in(request: AnyRequest, engines: NamedDependency[Engines], next: Next = "/") -> Response[str]:
    """Show the form to sign in with a key."""
    is_open = request.scope["state"][CALLER] == OPEN_ACCESS
    return answer_page(request, engines, "sign_in.html", next=next, is_open=is_open, refused=False)


@post("/sign-in", status_code=200, sync_to_thread=True)
def post_sign_in(request: AnyRequest, engines: NamedDependency[Engines], data: Form) -> Response[Any]:
    """Exchange a key for the cookie of a session."""  # noqa: DOC501 (a problem)
    expect_own_form(request, data)
    limit: RateLimit = request.app.state.sign_ins
    seconds = limit.seconds_to_wait(request.client.host if request.client else "")
    if seconds:
        raise ProblemFound(TOO_MANY_REQUESTS, f"Too many sign-ins; the next one is read in {seconds} s.")
    cookie = sign_in.sign_in(engines, data.get("key", "").strip())
    if cookie is None:
        shown = {"next": data.get("next", "/"), "is_open": False, "refused": True}
        return answer_page(request, engines, "sign_in.html", status=403, **shown)
    answer = Redirect(_own_address(data.get("next", "/")), status_code=303)
    answer.headers["Set-Cookie"] = _cookie(request, cookie)
    return answer


@post("/sign-out", status_code=303, sync_to_thread=True)
def post_sign_out(request: AnyRequest, engines: NamedDependency[Engines], data: Form) -> Redirect:
    """End the session of this browser."""
    expect_own_form(request, data)
    sign_in.sign_out(engines, request.scope["state"].get(SESSION_DIGEST, ""))
    return _signed_out(request)


@post("/sign-out-everywhere", status_code=303, sync_to_thread=True)
def post_sign_out_everywhere(request: AnyRequest, engines: NamedDependency[Engines], data: Form) -> Redirect:
    """End the sessions of every browser that signed in with this key."""
    expect_own_form(request, data)
    caller: Caller = request.scope["state"][CALLER]
    sign_in.sign_out_everywhere(engines, caller.key_id)
    return _signed_out(request)


def _signed_out(request: Request[Any, Any, Any]) -> Redirect:
    answer = Redirect("/sign-in", status_code=303)
    answer.headers["Set-Cookie"] = f"{_name(request)}=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict{_secure(request)}"
    return answer


def _cookie(request: Request[Any, Any, Any], value: str) -> str:
    return f"{_name(request)}={value}; Path=/; HttpOnly; SameSite=Strict{_secure(request)}"


def _name(request: Request[Any, Any, Any]) -> str:
    return SECURE_COOKIE if _secure(request) else PLAIN_COOKIE


def _secure(request: Request[Any, Any, Any]) -> str:
    host = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
    return "" if is_loopback(host) else "; Secure"


def _own_address(address: str) -> str:
    return address if address.startswith("/") and not address.startswith(("//", "/\\")) else "/"


HANDLERS = (get_sign_in, post_sign_in, post_sign_out, post_sign_out_everywhere)
