"""Pages, one for each question; the numbers on them are those of the interface."""

from typing import Annotated

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.exceptions import NotFoundException
from litestar.params import FromPath, QueryParameter

from models.engine import Engines
from models.queries.findings import FindingFilter
from service.pages import views
from service.pages.rendering import ASSETS
from service.routes import sign_in
from service.routes.answers import LARGEST_ID
from service.routes.page_answers import AnyRequest, answer_page, answer_problem
from service.settings import today
from service.use_cases import draw_failure_model, list_findings, list_results, look_up

ASSET_TYPES = {"valve-kits.css": "text/css", "icon.svg": "image/svg+xml"}
FINDINGS_PER_PAGE = 100
After = Annotated[int, QueryParameter(ge=0, le=LARGEST_ID, description="The number of the last one seen.")]
Ref = Annotated[str, QueryParameter(max_length=60, description="The event just recorded.")]
Part = Annotated[str, QueryParameter(max_length=60, description="Part of a tag.")]


@get("/assets/pages/{name:str}", sync_to_thread=True)
def get_asset(name: FromPath[str]) -> Response[bytes]:
    """Give the stylesheet or the icon of the pages."""  # noqa: DOC501 (a problem)
    if name not in ASSET_TYPES:
        raise NotFoundException("There is no such file.")
    return Response((ASSETS / name).read_bytes(), media_type=ASSET_TYPES[name])


@get("/", sync_to_thread=True)
def get_order_today(request: AnyRequest, engines: NamedDependency[Engines]) -> Response[str]:
    """Show what to order today."""
    standing = look_up.read_standing(engines, today=today())
    lines = [] if standing.run is None else list(list_results.list_orders(engines, run_id=None, storeroom=None).rows())
    return answer_page(request, engines, "order_today.html", lines=lines)


@get("/kits", sync_to_thread=True)
def get_kits(request: AnyRequest, engines: NamedDependency[Engines]) -> Response[str]:
    """List the kits."""
    rows = list(list_results.list_reorder_points(engines, run_id=None, storeroom=None, kit=None).rows())
    return answer_page(request, engines, "kits.html", rows=rows)


@get("/kits/{code:str}", sync_to_thread=True)
def get_kit(request: AnyRequest, engines: NamedDependency[Engines], code: FromPath[str]) -> Response[str]:
    """Show a kit: how many will be needed, how the stock runs, and why."""
    seen = look_up.look_at_kit(engines, code)
    stocks = [
        views.stock_ahead(store.months, on_hand=store.on_hand, arriving=store.arriving) for store in seen.storerooms
    ]
    fan = views.demand_fan(seen.months)
    return answer_page(request, engines, "kit.html", seen=seen, fan=fan, stocks=stocks)


@get("/service-classes", sync_to_thread=True)
def get_classes(request: AnyRequest, engines: NamedDependency[Engines]) -> Response[str]:
    """List how long items last."""
    rows = list(list_results.list_failure_models(engines, run_id=None, service_class=None).rows())
    return answer_page(request, engines, "classes.html", rows=rows)


@get("/service-classes/{code:str}", sync_to_thread=True)
def get_class(request: AnyRequest, engines: NamedDependency[Engines], code: FromPath[str]) -> Response[str]:
    """Show how long items last in a service class, and how sure that is."""
    drawn = [
        {
            "model": model,
            "plot": draw_failure_model.draw_if_any(model),
            "survival": views.survival(model),
            "cumulative": views.mean_cumulative(model),
        }
        for model in look_up.look_at_class(engines, code)
    ]
    return answer_page(request, engines, "class.html", drawn=drawn, code=code)


@get("/valves", sync_to_thread=True)
def get_valves(request: AnyRequest, engines: NamedDependency[Engines], tag: Part = "") -> Response[str]:
    """Find a valve by part of its tag."""
    rows = look_up.find_valves(engines, tag) if tag else []
    return answer_page(request, engines, "valves.html", rows=rows, tag=tag)


@get("/valves/{tag:str}", sync_to_thread=True)
def get_valve(
    request: AnyRequest, engines: NamedDependency[Engines], tag: FromPath[str], recorded: Ref = ""
) -> Response[str]:
    """Show a valve: what was done to it and which kits it may need."""
    seen = look_up.look_at_valve(engines, tag)
    drawn = views.timeline(seen.events, until=today())
    return answer_page(request, engines, "valve.html", seen=seen, timeline=drawn, recorded=recorded)


@get("/record", sync_to_thread=True)
def get_record(request: AnyRequest, engines: NamedDependency[Engines], after: After = 0) -> Response[str]:
    """Show what in the record can't be true or can't be used."""
    wanted = FindingFilter(kind=None, open=True)
    part = list_findings.list_findings(engines, run_id=None, wanted=wanted).read(after, FINDINGS_PER_PAGE)
    return answer_page(request, engines, "record.html", rows=part.rows, following=part.next_cursor)


@get("/past-forecasts", sync_to_thread=True)
def get_past_forecasts(request: AnyRequest, engines: NamedDependency[Engines]) -> Response[str]:
    """Show how good past forecasts would have been."""
    seen = look_up.look_at_past_forecasts(engines)
    return answer_page(request, engines, "past_forecasts.html", seen=seen)


ROUTER = Router(
    "/",
    route_handlers=[
        *(get_asset, get_order_today, get_kits, get_kit, get_classes, get_class),
        *(get_valves, get_valve, get_record, get_past_forecasts),
        *sign_in.HANDLERS,
    ],
    exception_handlers={Exception: answer_problem},
    include_in_schema=False,
)
