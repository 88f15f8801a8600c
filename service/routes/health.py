"""Whether the server lives and is ready, and what its problems mean."""

from datetime import datetime

from litestar import MediaType, Response, get
from litestar.di import NamedDependency
from litestar.exceptions import NotFoundException, ServiceUnavailableException
from litestar.params import FromPath
from msgspec import UNSET, Struct, UnsetType

from models.engine import Engines
from service.metrics import CONTENT_TYPE, Metrics
from service.pages.rendering import render
from service.problem_kinds import KINDS
from service.routes.answers import get_one
from service.use_cases.check_ready import expect_writable, is_migrated
from service.use_cases.watch_forecast import watch_forecast


class Health(Struct, kw_only=True):
    """How the server is; `last_good_run_at` once a run has finished, `stale` if that is too long ago."""

    status: str
    last_good_run_at: datetime | UnsetType = UNSET
    stale: bool | UnsetType = UNSET


@get_one("/health/live")
def get_live() -> Health:
    """Say that the server runs."""
    return Health(status="live")


@get("/metrics", sync_to_thread=True, include_in_schema=False)
def get_metrics(engines: NamedDependency[Engines], metrics: NamedDependency[Metrics]) -> Response[bytes]:
    """Tell what a monitoring system reads."""
    return Response(metrics.told(watch_forecast(engines)), media_type=CONTENT_TYPE)


@get_one("/health/ready")
def get_ready(engines: NamedDependency[Engines]) -> Health:
    """Say that the database answers, takes changes and has the tables this version needs."""  # noqa: DOC501 (a problem)
    if not is_migrated(engines):
        raise ServiceUnavailableException("The database is not migrated; run: valve-kits migrate")
    expect_writable(engines)
    watched = watch_forecast(engines)
    if watched.last_good_run_at is None:
        return Health(status="ready")
    return Health(status="ready", last_good_run_at=watched.last_good_run_at, stale=watched.stale)


@get("/problems/{name:str}", media_type=MediaType.HTML, sync_to_thread=False, include_in_schema=False)
def get_problem(name: FromPath[str]) -> Response[str]:
    """Tell what a problem means and what to do about it."""  # noqa: DOC501 (a problem)
    kind = KINDS.get(name)
    if kind is None:
        raise NotFoundException("There is no problem of that name.")
    page = render("problem_kind.html", {"kind": kind, "plain_page": True})
    return Response(page, media_type=MediaType.HTML)


HANDLERS = (get_live, get_ready, get_metrics, get_problem)
