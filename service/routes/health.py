"""Whether the server lives and is ready, and what its problems mean."""

from html import escape

from litestar import MediaType, Response, get
from litestar.di import NamedDependency
from litestar.exceptions import NotFoundException, ServiceUnavailableException
from litestar.params import FromPath
from litestar.response import Redirect
from msgspec import Struct

from models.engine import Engines
from service.problem_kinds import KINDS
from service.routes.answers import get_one
from service.use_cases.check_ready import is_migrated


class Health(Struct, kw_only=True):
    """How the server is."""

    status: str


@get_one("/health/live")
def get_live() -> Health:
    """Say that the server runs."""
    return Health(status="live")


@get_one("/health/ready")
def get_ready(engines: NamedDependency[Engines]) -> Health:
    """Say that the database answers and has the tables this version needs."""  # noqa: DOC501 (a problem)
    if not is_migrated(engines):
        raise ServiceUnavailableException("The database is not migrated; run: valve-kits migrate")
    return Health(status="ready")


@get("/", sync_to_thread=False, include_in_schema=False)
def get_root() -> Redirect:
    """Lead to the description of the interface."""
    return Redirect("/schema")


@get("/problems/{name:str}", media_type=MediaType.HTML, sync_to_thread=False, include_in_schema=False)
def get_problem(name: FromPath[str]) -> Response[str]:
    """Tell what a problem means and what to do about it."""  # noqa: DOC501 (a problem)
    kind = KINDS.get(name)
    if kind is None:
        raise NotFoundException("There is no problem of that name.")
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(kind.title)}</title>'
        f"<h1>{escape(kind.title)}</h1><p>Status {kind.status}, {escape(kind.name)}.</p>"
        f"<p>{escape(kind.advice)}</p></html>"
    )
    return Response(page, media_type=MediaType.HTML)


HANDLERS = (get_live, get_ready, get_root, get_problem)
