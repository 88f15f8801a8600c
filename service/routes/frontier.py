"""Stock under a budget, by the latest finished run or the one named by ?run=."""

from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from models.engine import Engines
from service.described_structs import DescribedOperation
from service.routes.answers import COMMON, Asked, answer_list, documented, get_list
from service.routes.results import OnlyCode, RunNumber
from service.schemas.frontier import FrontierLevelOut, FrontierPointOut
from service.schemas.results import Page
from service.use_cases import choose_stock

AnyRequest = Request[Any, Any, Any]
MOST_MONEY = 1e15


@get_list("/stock-frontier")
def get_stock_frontier(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    storeroom: OnlyCode = None,
    budget: Annotated[
        float | None, QueryParameter(ge=0, le=MOST_MONEY, description="Only steps that this pays.")
    ] = None,
) -> Response[Page[FrontierPointOut]]:
    """List cost of stock against expected shortage over all kits: present stock, reorder points, then the frontier."""
    listing = choose_stock.list_frontier(engines, run_id=run, storeroom=storeroom, budget=budget)
    return answer_list(request, asked, listing)


@get_list("/stock-frontier/levels")
def get_stock_levels(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    budget: Annotated[float, QueryParameter(ge=0, le=MOST_MONEY, description="Of all stock.")],
    run: RunNumber = None,
    storeroom: OnlyCode = None,
) -> Response[Page[FrontierLevelOut]]:
    """List how many of each kit a budget keeps where it avoids most shortage, beside what is there."""
    listing = choose_stock.list_levels(engines, run_id=run, storeroom=storeroom, budget=budget)
    return answer_list(request, asked, listing)


@get(
    "/stock-frontier/plot.svg",
    responses=documented(*COMMON),
    operation_class=DescribedOperation,
    media_type="image/svg+xml",
    sync_to_thread=True,
)
def get_stock_frontier_plot(
    engines: NamedDependency[Engines], run: RunNumber = None, storeroom: OnlyCode = None
) -> str:
    """Draw cost of stock against expected shortage, present stock and reorder points as points."""
    return choose_stock.draw_stock_frontier(engines, run_id=run, storeroom=storeroom)


HANDLERS = (get_stock_frontier, get_stock_levels, get_stock_frontier_plot)
