"""What the record says of the shelves and the shop, without a forecast run."""

from typing import Annotated, Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from models.engine import Engines
from service import settings
from service.routes.answers import Asked, answer_list, get_list
from service.schemas.look_up import LookUpOut
from service.schemas.results import Page
from service.schemas.shelf import IssuesExplainedOut, SpareValveOut
from service.use_cases import explain_issues, list_spare_valves, look_up_valves

AnyRequest = Request[Any, Any, Any]
OnlyCode = Annotated[str | None, QueryParameter(max_length=60, description="Only this one.")]

PartOfTag = Annotated[str, QueryParameter(min_length=1, max_length=60, description="A part of the tag.")]


@get_list("/issues-explained")
def get_issues_explained(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    kit: OnlyCode = None,
) -> Response[Page[IssuesExplainedOut]]:
    """List per kit and year how many were issued, and for how many of them there is an event that used them."""
    return answer_list(request, asked, explain_issues.explain_issues(engines, kit=kit, as_of=settings.today()))


@get_list("/spare-valves")
def get_spare_valves(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    design: OnlyCode = None,
) -> Response[Page[SpareValveOut]]:
    """List the valves that exchanges took out and that aren't fitted again: rebuilt already, or waiting."""
    listing = list_spare_valves.list_spare_valves(engines, design=design, as_of=settings.today())
    return answer_list(request, asked, listing)


@get_list("/look-up")
def get_look_up(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], tag: PartOfTag
) -> Response[Page[LookUpOut]]:
    """List valves whose tag holds a text, each with its kits: parts, what is always replaced, successors, stock, lots.

    Case, blanks and separators don't matter: fv101 finds FV-101.
    """
    return answer_list(request, asked, look_up_valves.list_look_up(engines, tag, today=settings.today()))


HANDLERS = (get_look_up, get_issues_explained, get_spare_valves)
