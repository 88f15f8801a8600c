"""The application: routes, problems, API description, and what stands before them."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.util import find_spec
from pathlib import Path

import structlog
from litestar import Litestar, Router
from litestar.config.compression import CompressionConfig
from litestar.datastructures import State
from litestar.di import Provide
from litestar.openapi import OpenAPIConfig
from litestar.openapi.plugins import SwaggerRenderPlugin, YamlRenderPlugin
from litestar.openapi.spec import Components
from litestar.static_files import create_static_files_router
from litestar.types import ASGIApp
from sqlalchemy.exc import OperationalError

from models.engine import Engines, open_engines
from service import body_problems
from service.access_rules import FORM_SECRET, keys_required, loopback_only
from service.authorization import authorize
from service.described_roles import SCHEMES, DescribedRoles
from service.described_structs import StrictStructs
from service.etags import conditional
from service.forecast_processes import ForecastProcesses
from service.form_tokens import new_secret
from service.front_door import decode_codes, front_door
from service.metrics import Metrics
from service.rate_limits import RateLimit
from service.ready_answers import ReadyAnswers, kept_ready
from service.record_states import RecordStates
from service.repeats import repeatable
from service.routes import (
    access,
    accuracy,
    bench,
    cells,
    exports,
    findings,
    frontier,
    health,
    imports,
    orders,
    pages,
    records,
    results,
    runs,
    scheduling,
    shelf,
    signatures,
    spend,
    turnaround_pages,
    turnarounds,
    what_if,
    workbooks,
)
from service.routes.answers import how_asked
from service.settings import Settings, code_version
from service.use_cases.check_ready import is_migrated
from service.use_cases.request_run import close_abandoned, is_another_process
from service.window_processes import WindowProcesses

COMPRESSED_FROM_BYTES = 1024
SIGN_INS_PER_MINUTE = 10
SWAGGER = "/assets/swagger"
NOUNS = (
    imports,
    exports,
    runs,
    scheduling,
    results,
    orders,
    frontier,
    spend,
    what_if,
    signatures,
    turnarounds,
    accuracy,
    cells,
    findings,
    shelf,
    workbooks,
    access,
    records,
)

log = structlog.get_logger()


def create_app(settings: Settings) -> ASGIApp:
    """Put the application together.

    Parameters
    ----------
    settings : Settings
        What the server was started with.

    Returns
    -------
    ASGIApp
        Opens the database when it starts, and closes it and its forecast processes when it stops.
    """
    return guarded(routed(settings), settings)


def guarded(app: Litestar, settings: Settings) -> ASGIApp:
    """Put before the routes who may ask, and how often.

    Parameters
    ----------
    app : Litestar
        The routes, as `routed` gives them.
    settings : Settings
        What the server was started with.

    Returns
    -------
    ASGIApp
        See `create_app`.
    """
    rule = loopback_only(settings.port) if settings.access == "open" else keys_required(lambda: _engines(app.state))
    metrics = Metrics()
    app.state.metrics = metrics
    routes = kept_ready(app, state=app.state, answers=ReadyAnswers())
    return metrics.counted(front_door(routes, rule=rule, limit=RateLimit(settings.requests_per_minute)))


def routed(settings: Settings) -> Litestar:
    """Put together what answers, without what stands before it.

    Parameters
    ----------
    settings : Settings
        What the server was started with.

    Returns
    -------
    Litestar
        The application with its router; it lets everybody in.
    """

    @asynccontextmanager
    async def lifespan(app: Litestar) -> AsyncIterator[None]:
        engines = open_engines(address := app.state.database_url)
        processes = ForecastProcesses(engines, address)
        app.state.engines, app.state.processes = engines, processes
        app.state.record_states, app.state.windows = RecordStates(engines), WindowProcesses(address)
        app.state.sign_ins = RateLimit(SIGN_INS_PER_MINUTE)
        app.state.most_rows = settings.import_limit_rows
        await asyncio.to_thread(_close_what_a_predecessor_left, engines)
        try:
            yield
        finally:
            await processes.close()
            for opened in (app.state.windows, app.state.record_states):
                opened.close()
            engines.reader.dispose()

    v1 = Router("/v1", route_handlers=[handler for noun in NOUNS for handler in noun.HANDLERS])
    return Litestar(
        route_handlers=[v1, *health.HANDLERS, _swagger_files(), pages.ROUTER, turnaround_pages.PAGES, *bench.HANDLERS],
        dependencies=_provided(),
        middleware=[decode_codes, authorize, repeatable, conditional],
        exception_handlers={Exception: body_problems.answer},
        compression_config=CompressionConfig(backend="gzip", minimum_size=COMPRESSED_FROM_BYTES),
        lifespan=[lifespan],
        state=State({"database_url": settings.database_url, FORM_SECRET: new_secret()}),
        plugins=[StrictStructs(), *([DescribedRoles()] if settings.access == "keys" else [])],
        openapi_config=_description(SCHEMES if settings.access == "keys" else Components()),
        request_max_body_size=settings.import_limit_bytes,
        logging_config=None,
    )


def _provided() -> dict[str, Provide]:
    """Name what handlers may ask for."""
    return {
        "engines": Provide(_engines, sync_to_thread=False),
        "processes": Provide(_processes, sync_to_thread=False),
        "windows": Provide(_windows, sync_to_thread=False),
        "most_rows": Provide(_most_rows, sync_to_thread=False),
        "metrics": Provide(_metrics, sync_to_thread=False),
        "asked": Provide(how_asked, sync_to_thread=False),
        "planned": Provide(turnarounds.planned, sync_to_thread=True),
    }


def _engines(state: State) -> Engines:
    engines: Engines = state.engines
    return engines


def _most_rows(state: State) -> int:
    most_rows: int = state.most_rows
    return most_rows


def _metrics(state: State) -> Metrics:
    metrics: Metrics = state.metrics
    return metrics


def _processes(state: State) -> ForecastProcesses:
    processes: ForecastProcesses = state.processes
    return processes


def _windows(state: State) -> WindowProcesses:
    windows: WindowProcesses = state.windows
    return windows


def _close_what_a_predecessor_left(engines: Engines) -> None:
    try:
        if is_migrated(engines):
            close_abandoned(engines, is_alive=is_another_process)
    except OperationalError as error:
        log.warning("the database can't be reached yet", exc_info=error)


def _swagger_files() -> Router:
    spec = find_spec("swagger_ui_bundle")
    places = [] if spec is None else list(spec.submodule_search_locations or [])
    folder = next(path for place in places for path in (Path(place) / "vendor").glob("swagger-ui-*"))
    return create_static_files_router(SWAGGER, directories=[folder], include_in_schema=False)


def _description(schemes: Components) -> OpenAPIConfig:
    page = SwaggerRenderPlugin(
        js_url=f"{SWAGGER}/swagger-ui-bundle.js",
        css_url=f"{SWAGGER}/swagger-ui.css",
        standalone_preset_js_url=f"{SWAGGER}/swagger-ui-standalone-preset.js",
        favicon="<link rel='icon' href='data:,'>",
    )
    return OpenAPIConfig(
        title="valve-kits",
        version=code_version(),
        description="Rebuild history in, rebuild-kit demand, reorder points and an order list out. "
        "It proposes; a named person decides. A slash within a code is written %2F. "
        "A key is sent as Authorization: Bearer KEY; every POST takes an Idempotency-Key.",
        components=schemes,
        path="/schema",
        use_handler_docstrings=True,
        render_plugins=[page, YamlRenderPlugin()],
    )
