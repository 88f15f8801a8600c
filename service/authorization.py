"""May this caller do that: asked of every request once it is known which route it takes."""

from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Receive, Scope, Send

from service.callers import NOBODY, Caller
from service.front_door import CALLER
from service.problem_kinds import ROLE_TOO_LOW
from service.problems import ProblemFound
from service.roles import allowed_to, may, needed


def authorize(app: ASGIApp) -> ASGIApp:
    """Let through what the role of the caller allows.

    Parameters
    ----------
    app : ASGIApp
        What was routed to.

    Returns
    -------
    ASGIApp
        The same; raises ProblemFound where the role is too low.
    """

    async def authorized(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == ScopeType.HTTP:
            _expect(scope["state"][CALLER], scope)
        await app(scope, receive, send)

    return authorized


def _expect(caller: Caller, scope: HTTPScope) -> None:
    if caller == NOBODY:
        return
    need = needed(scope["method"], scope["path_template"], scope["path_params"])
    if not may(caller.role, need):
        roles = " or ".join(allowed_to(need))
        raise ProblemFound(ROLE_TOO_LOW, f"This needs a key of the role {roles}; this one has the role {caller.role}.")
