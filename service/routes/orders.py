"""What the storeroom decides: proposals taken or overridden, and the log of that."""

from typing import Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody

from models.engine import Engines
from service.routes.answers import Asked, accepts_json, answer_list, get_list, post_for
from service.routes.records import takes_json
from service.routes.results import OnlyCode, RunNumber
from service.schemas.acceptances import AcceptanceOut, AcceptKitRequest, AcceptRequest
from service.schemas.order_effects import OrderEffectOut
from service.schemas.results import Page
from service.use_cases import accept_proposal, summarise_orders
from service.use_cases.accept_turnaround_kit import accept_turnaround_kit

AnyRequest = Request[Any, Any, Any]


@post_for(
    "/reorder-points/{storeroom:str}/{kit:str}/accept",
    status_code=200,
    sync_to_thread=True,
    guards=[accepts_json, takes_json],
)
def post_accept(
    engines: NamedDependency[Engines],
    storeroom: FromPath[str],
    kit: FromPath[str],
    data: JSONBody[AcceptRequest],
    run: RunNumber = None,
) -> AcceptanceOut:
    """Take what the latest run proposes, or other numbers, with a reason. It is recorded; no order is placed.

    From the next run on the quantity counts as stock to come, until an order that was not known by then is recorded;
    the reorder point is the present one until the record states another.
    """
    return accept_proposal.accept_proposal(engines, data, run_id=run, storeroom=storeroom, kit=kit)


@post_for(
    "/turnarounds/{code:str}/kits/{kit:str}/accept",
    status_code=200,
    sync_to_thread=True,
    guards=[accepts_json, takes_json],
)
def post_accept_kit(
    engines: NamedDependency[Engines],
    code: FromPath[str],
    kit: FromPath[str],
    data: JSONBody[AcceptKitRequest],
    run: RunNumber = None,
) -> AcceptanceOut:
    """Take what the latest run wants ordered for a turnaround, or another number, with a reason; no order is placed.

    From the next run on the quantity is there for that turnaround and for no other need: first as accepted, then as on
    order once an order that was not known by then is recorded, then as received until the turnaround begins.
    """
    return accept_turnaround_kit(engines, data, run_id=run, turnaround=code, kit=kit)


@get_list("/acceptances")
def get_acceptances(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    storeroom: OnlyCode = None,
    kit: OnlyCode = None,
) -> Response[Page[AcceptanceOut]]:
    """List what was taken of proposals, by whom, when and why; kept for ever."""
    return answer_list(request, asked, accept_proposal.list_acceptances(engines, storeroom=storeroom, kit=kit))


@get_list("/order-list/summary")
def get_order_summary(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    storeroom: OnlyCode = None,
) -> Response[Page[OrderEffectOut]]:
    """Tell what changes if all that is proposed is accepted, in money and in shortage, and the lines that matter.

    Lines accepted or declined since the run are left out; what was accepted of them counts as stock to come.
    """
    return answer_list(request, asked, summarise_orders.summarise_orders(engines, run_id=run, storeroom=storeroom))


HANDLERS = (post_accept, post_accept_kit, get_acceptances, get_order_summary)
