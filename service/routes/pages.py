"""Pages, one for each question; the numbers on them are those of the interface."""

from typing import Annotated

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.exceptions import NotFoundException
from litestar.params import FromPath, QueryParameter

from models.engine import Engines
from service.pages import timelines, views
from service.pages.rendering import ASSETS
from service.routes import sign_in
from service.routes.answers import LARGEST_ID
from service.routes.page_answers import AnyRequest, answer_page, answer_problem
from service.schemas.order_effects import OrderEffectOut
from service.settings import today
from service.use_cases import list_results, look_at_kit, look_up, look_up_valves, summarise_orders
from service.use_cases.change_records import read_record

ASSET_TYPES = {"valve-kits.css": "text/css", "icon.svg": "image/svg+xml"}
FINDINGS_PER_PAGE = 40
VALVES_PER_PAGE = 20
After = Annotated[int, QueryParameter(ge=0, le=LARGEST_ID, description="The number of the last one seen.")]
Ref = Annotated[str, QueryParameter(max_length=60, description="The event just recorded.")]
Kind = Annotated[str, QueryParameter(max_length=60, description="Only findings of this kind.")]
Store = Annotated[str, QueryParameter(max_length=60, description="Only what is ordered for this storeroom.")]
Asked = Annotated[str, QueryParameter(max_length=60, description="Part of a code or name.")]
Part = Annotated[str, QueryParameter(max_length=60, description="Part of a tag.")]


@get("/assets/pages/{name:str}", sync_to_thread=True)
def get_asset(name: FromPath[str]) -> Response[bytes]:
    """Give the stylesheet or the icon of the pages."""  # noqa: DOC501 (a problem)
    if name not in ASSET_TYPES:
        raise NotFoundException("There is no such file.")
    return Response((ASSETS / name).read_bytes(), media_type=ASSET_TYPES[name])


def summarise(engines: Engines, storeroom: str) -> list[OrderEffectOut]:
    """Say what changes if all that is proposed is accepted."""
    return list(summarise_orders.summarise_orders(engines, run_id=None, storeroom=storeroom or None).rows())


@get("/", sync_to_thread=True)
def get_order_today(request: AnyRequest, engines: NamedDependency[Engines], storeroom: Store = "") -> Response[str]:
    """Show what to order today."""
    standing = look_up.read_standing(engines, today=today())
    every = [] if standing.run is None else list(list_results.list_orders(engines, run_id=None, storeroom=None).rows())
    return answer_page(
        request,
        engines,
        "order_today.html",
        lines=[line for line in every if storeroom in {"", line.storeroom}],
        storerooms=sorted({line.storeroom for line in every} - {""}),
        storeroom=storeroom,
        kits=look_at_kit.read_kits(engines),
        effects=summarise(engines, storeroom) if any(not line.turnaround for line in every) else [],
    )


@get("/kits", sync_to_thread=True)
def get_kits(request: AnyRequest, engines: NamedDependency[Engines], kit: Asked = "") -> Response[str]:
    """List the kits, or those with something in their code or name."""
    every = list_results.list_reorder_points(engines, run_id=None, storeroom=None, kit=None).rows()
    kits = look_at_kit.read_kits(engines)
    rows = [row for row in every if look_at_kit.is_asked_for(row.kit, kits, kit)]
    return answer_page(request, engines, "kits.html", rows=rows, kits=kits, asked=kit)


@get("/kits/{code:str}", sync_to_thread=True)
def get_kit(request: AnyRequest, engines: NamedDependency[Engines], code: FromPath[str]) -> Response[str]:
    """Show a kit: how many will be needed, how the stock runs, and why."""
    seen = look_at_kit.look_at_kit(engines, code)
    stocks = [
        views.stock_ahead(
            store.months,
            on_hand=store.on_hand,
            arriving=store.arriving,
            reorder_point=store.proposal.reorder_point,
        )
        for store in seen.storerooms
    ]
    fan = views.demand_fan(seen.periods, bucket=seen.bucket)
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
            "probability": views.probability(model),
            "survival": views.survival(model),
            "cumulative": views.mean_cumulative(model),
        }
        for model in look_up.look_at_class(engines, code)
    ]
    return answer_page(request, engines, "class.html", drawn=drawn, code=code)


@get("/valves", sync_to_thread=True)
def get_valves(
    request: AnyRequest, engines: NamedDependency[Engines], tag: Part = "", after: After = 0
) -> Response[str]:
    """Find a valve by part of its tag, with what the bench asks first."""
    found = (
        look_up_valves.find_valves(engines, tag, today=today(), offset=after, limit=VALVES_PER_PAGE + 1) if tag else []
    )
    following = after + VALVES_PER_PAGE if len(found) > VALVES_PER_PAGE else None
    return answer_page(request, engines, "valves.html", found=found[:VALVES_PER_PAGE], tag=tag, following=following)


@get("/valves/{tag:str}", sync_to_thread=True)
def get_valve(
    request: AnyRequest, engines: NamedDependency[Engines], tag: FromPath[str], recorded: Ref = ""
) -> Response[str]:
    """Show a valve: what was done to it and which kits it may need."""
    seen = look_up.look_at_valve(engines, tag)
    kits = look_at_kit.read_kits(engines)
    drawn = timelines.timeline(
        seen.events,
        items=list(dict.fromkeys(need.maintainable_item for need in seen.needs)),
        renews={code: kit.renews for code, kit in kits.items()},
        until=today(),
    )
    event = read_record(engines, "events", [recorded, tag]).record if recorded else None
    return answer_page(request, engines, "valve.html", seen=seen, kits=kits, timeline=drawn, recorded=event)


@get("/record", sync_to_thread=True)
def get_record(
    request: AnyRequest, engines: NamedDependency[Engines], after: After = 0, kind: Kind = ""
) -> Response[str]:
    """Show what in the record can't be true or can't be used."""
    seen = look_up.look_at_record(engines, kind=kind or None, after=after, limit=FINDINGS_PER_PAGE)
    return answer_page(request, engines, "record.html", seen=seen, kind=kind)


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
