"""What the latest finished run says, or the one named by ?run=."""

from datetime import date
from typing import Annotated, Any, Literal

from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter

from models.engine import Engines
from models.queries.results import DemandFilter
from service.described_structs import DescribedOperation
from service.routes.answers import COMMON, LARGEST_ID, Asked, answer_list, documented, get_list, get_one
from service.schemas.results import (
    DemandOut,
    FailureModelOut,
    KitNeedOut,
    OrderLineOut,
    Page,
    ReorderPointOut,
)
from service.schemas.why import WhyOut
from service.schemas.windows import DemandWhyOut
from service.use_cases import ask_window, draw_failure_model, explain_reorder_point, list_results, read_result
from service.window_processes import WindowProcesses

AnyRequest = Request[Any, Any, Any]
RunNumber = Annotated[
    int | None, QueryParameter(ge=1, le=LARGEST_ID, description="Which run; the latest finished if it is left out.")
]
OnlyCode = Annotated[str | None, QueryParameter(description="Only this one.")]
Bucket = Annotated[
    Literal["week", "month", "quarter", "year", "protection_interval", "until_turnaround", "in_turnaround", "window"]
    | None,
    QueryParameter(
        description="Which periods; months if it is left out. Storerooms and service classes have no weeks; "
        "protection intervals are those of storerooms, turnarounds those of areas. A window is exactly the days from "
        "starts_on to ends_on of one kit, and is what is meant where a kit and both days are given, but no bucket."
    ),
]
OfArea = Annotated[str | None, QueryParameter(description="Of this area; the whole plant if no part is named.")]
OfStoreroom = Annotated[str | None, QueryParameter(description="Of the valves this storeroom serves.")]
OfClass = Annotated[str | None, QueryParameter(description="Of the valves of this service class.")]
FromDay = Annotated[date | None, QueryParameter(description="Only periods that begin then or later.")]
ToDay = Annotated[date | None, QueryParameter(description="Only periods that end then or earlier.")]


@get_list("/failure-models")
def get_failure_models(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    service_class: OnlyCode = None,
) -> Response[Page[FailureModelOut]]:
    """List how long each item lasts in each service class."""
    listing = list_results.list_failure_models(engines, run_id=run, service_class=service_class)
    return answer_list(request, asked, listing)


@get_one("/failure-models/{service_class:str}/{maintainable_item:str}")
def get_failure_model(
    engines: NamedDependency[Engines],
    service_class: FromPath[str],
    maintainable_item: FromPath[str],
    run: RunNumber = None,
) -> FailureModelOut:
    """Tell how long an item lasts in a service class, and how sure that is."""
    return read_result.read_failure_model(
        engines, run_id=run, service_class=service_class, maintainable_item=maintainable_item
    )


@get(
    "/failure-models/{service_class:str}/{maintainable_item:str}/plot.svg",
    responses=documented(*COMMON),
    operation_class=DescribedOperation,
    media_type="image/svg+xml",
    sync_to_thread=True,
)
def get_failure_model_plot(
    engines: NamedDependency[Engines],
    service_class: FromPath[str],
    maintainable_item: FromPath[str],
    run: RunNumber = None,
) -> str:
    """Draw the share failed by age of an item in a service class, as seen and as fitted."""
    return draw_failure_model.draw_failure_model(
        engines, run_id=run, service_class=service_class, maintainable_item=maintainable_item
    )


@get_list("/demand")
def get_demand(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    windows: NamedDependency[WindowProcesses],
    run: RunNumber = None,
    kit: OnlyCode = None,
    area: OfArea = None,
    storeroom: OfStoreroom = None,
    service_class: OfClass = None,
    bucket: Bucket = None,
    starts_on: FromDay = None,
    ends_on: ToDay = None,
    distribution: Annotated[bool, QueryParameter(description="JSON: add P(D = 0), P(D = 1), ...")] = False,
) -> Response[Page[DemandOut]]:
    """List how many of each kit will be needed per week, month, quarter or year, or in any days up to 24 months ahead.

    What was not stored by the run is computed on request, from the record as the run read it; that takes seconds.
    """
    wanted = DemandFilter(
        whose=ask_window.whose(area, storeroom, service_class),
        bucket=bucket or "month",
        kit=kit,
        starts_on=starts_on,
        ends_on=ends_on,
    )
    if ask_window.is_window(bucket, wanted):
        listing = ask_window.list_demand_window(engines, windows.ask, run_id=run, wanted=wanted)
        return answer_list(request, asked, listing if distribution else ask_window.without_probabilities(listing))
    list_demand = list_results.list_demand_distributions if distribution else list_results.list_demand
    return answer_list(request, asked, list_demand(engines, run_id=run, wanted=wanted))


@get_one("/demand/{kit:str}/why")
def get_demand_why(
    engines: NamedDependency[Engines],
    windows: NamedDependency[WindowProcesses],
    kit: FromPath[str],
    run: RunNumber = None,
    area: OfArea = None,
    storeroom: OfStoreroom = None,
    service_class: OfClass = None,
    starts_on: Annotated[date | None, QueryParameter(description="The day after the data cut-off if left out.")] = None,
    ends_on: Annotated[date | None, QueryParameter(description="365 days after the cut-off if left out.")] = None,
) -> DemandWhyOut:
    """Tell why a demand is what it is: which valves, how old, how likely each needs the kit, by which models.

    Computed on request, from the record as the run read it; that takes seconds.
    """
    whose = ask_window.whose(area, storeroom, service_class)
    days = {"starts_on": starts_on, "ends_on": ends_on}
    return ask_window.explain_demand(engines, windows.ask, run_id=run, kit=kit, whose=whose, **days)


@get_list("/reorder-points")
def get_reorder_points(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    storeroom: OnlyCode = None,
    kit: OnlyCode = None,
) -> Response[Page[ReorderPointOut]]:
    """List how low each kit may run in each storeroom, and how many to order then."""
    listing = list_results.list_reorder_points(engines, run_id=run, storeroom=storeroom, kit=kit)
    return answer_list(request, asked, listing)


@get_one("/reorder-points/{storeroom:str}/{kit:str}")
def get_reorder_point(
    engines: NamedDependency[Engines],
    storeroom: FromPath[str],
    kit: FromPath[str],
    run: RunNumber = None,
) -> ReorderPointOut:
    """Tell how low a kit may run in a storeroom, and what that level achieves."""
    return read_result.read_reorder_point(engines, run_id=run, storeroom=storeroom, kit=kit)


@get_one("/reorder-points/{storeroom:str}/{kit:str}/why")
def get_why(
    engines: NamedDependency[Engines],
    storeroom: FromPath[str],
    kit: FromPath[str],
    run: RunNumber = None,
) -> WhyOut:
    """Tell why a kit may run that low: which valves, models, lead time and target made it."""
    return explain_reorder_point.explain_reorder_point(engines, run_id=run, storeroom=storeroom, kit=kit)


@get_list("/order-list")
def get_order_list(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    storeroom: OnlyCode = None,
) -> Response[Page[OrderLineOut]]:
    """List what to order, how many, by when and why, and which orders to chase; late ones first.

    Lines with a `turnaround` are what its plan wants ordered within 30 days, beyond the running need.
    """
    return answer_list(request, asked, list_results.list_orders(engines, run_id=run, storeroom=storeroom))


@get_list("/valves/{tag:str}/kit-needs")
def get_kit_needs(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    tag: FromPath[str],
    run: RunNumber = None,
) -> Response[Page[KitNeedOut]]:
    """List the chance that a valve needs each kit within 30, 90 and 365 days."""
    return answer_list(request, asked, list_results.list_kit_needs(engines, run_id=run, tag=tag))


HANDLERS = (
    get_failure_models,
    get_failure_model,
    get_failure_model_plot,
    get_demand,
    get_demand_why,
    get_reorder_points,
    get_reorder_point,
    get_why,
    get_order_list,
    get_kit_needs,
)
