"""What the latest finished run plans for a turnaround, or the run named by ?run=; under limits if any are given."""

from typing import Annotated, Any, cast

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter

from models.engine import Engines
from service.routes.answers import JSON, Asked, answer_list, get_list
from service.routes.results import RunNumber
from service.schemas.results import Page
from service.schemas.turnarounds import (
    BasisRowOut,
    BudgetLineOut,
    BudgetOut,
    BudgetValveOut,
    CashOut,
    LimitOut,
    ScopeValveOut,
    StagedKitOut,
    TurnaroundKitOut,
)
from service.use_cases import read_turnaround
from service.use_cases.read_turnaround import AskedLimits, ReadPlan
from service.window_processes import WindowProcesses

AnyRequest = Request[Any, Any, Any]
MOST = 1e15
Budget = Annotated[
    float | None, QueryParameter(ge=0, le=MOST, description="For kits and work as planned; without limit if left out.")
]
Hours = Annotated[float | None, QueryParameter(ge=0, le=MOST, description="At the bench; without limit if left out.")]
Valves = Annotated[
    int | None, QueryParameter(ge=0, le=100_000, description="That can be opened; without limit if left out.")
]
Percentile = Annotated[
    int | None, QueryParameter(ge=1, le=99, description="Of the total, for the contingency; 80 if it is left out.")
]


def planned(
    engines: NamedDependency[Engines],
    windows: NamedDependency[WindowProcesses],
    code: FromPath[str],
    run: RunNumber = None,
    budget: Budget = None,
    hours: Hours = None,
    valves: Valves = None,
) -> ReadPlan:
    """Read the plan of a turnaround for all its routes.

    Under limits the best scope is computed on request, from the record as the run read it; that takes seconds.
    """
    limits = AskedLimits(budget=budget, hours=hours, valves=valves)
    return read_turnaround.plan_under(engines, windows.ask_turnaround, code=code, run_id=run, limits=limits)


@get_list("/turnarounds/{code:str}/scope")
def get_scope(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[ScopeValveOut]]:
    """List the valves a turnaround may open, ranked: in or out, what for, why, and what that saves.

    Under limits the best scope is computed on request, from the record as the run read it; that takes seconds.
    """
    return answer_list(request, asked, planned.listing(ScopeValveOut, planned.plan.scope))


@get_list("/turnarounds/{code:str}/limits")
def get_limits(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[LimitOut]]:
    """List what one unit more of each limit would save: the best scope found again with it."""
    return answer_list(request, asked, planned.listing(LimitOut, planned.plan.limits))


@get_list("/turnarounds/{code:str}/budget")
def get_budget(
    request: AnyRequest,
    asked: NamedDependency[Asked],
    planned: NamedDependency[ReadPlan],
    percentile: Percentile = None,
) -> Response[BudgetOut]:
    """Tell the budget of a turnaround: lines, contingency, cash by due date, basis; as CSV and .xlsx its lines."""
    made = read_turnaround.told_budget(planned, percentile=percentile)
    if asked.media_type == JSON:
        return Response(made, media_type=JSON, headers={"Vary": "Accept"})
    table = answer_list(request, asked, planned.listing(BudgetLineOut, list(made.lines)))
    # the API description tells these from JSON by ListOperation, not by this type
    return cast("Response[BudgetOut]", table)


@get_list("/turnarounds/{code:str}/budget/valves")
def get_budget_valves(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[BudgetValveOut]]:
    """List what is expected of each valve, line by line: the means of the budget's lines are their sums."""
    return answer_list(request, asked, planned.listing(BudgetValveOut, list(planned.plan.budget.valves)))


@get_list("/turnarounds/{code:str}/budget/cash")
def get_budget_cash(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[CashOut]]:
    """List what is due on which day: the mean of the budget's total is their sum."""
    return answer_list(request, asked, planned.listing(CashOut, list(planned.plan.budget.cash)))


@get_list("/turnarounds/{code:str}/budget/basis")
def get_budget_basis(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[BasisRowOut]]:
    """List what the budget rests on: data cut-off, models, prices, how it is reckoned, what it leaves out."""
    return answer_list(request, asked, planned.listing(BasisRowOut, read_turnaround.basis_of(planned)))


@get_list("/turnarounds/{code:str}/kits")
def get_kits(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[TurnaroundKitOut]]:
    """List the kits of a turnaround: how many, what is there, what to order by when; late ones first."""
    return answer_list(request, asked, planned.listing(TurnaroundKitOut, planned.plan.kits))


@get_list("/turnarounds/{code:str}/staging")
def get_staging(
    request: AnyRequest, asked: NamedDependency[Asked], planned: NamedDependency[ReadPlan]
) -> Response[Page[StagedKitOut]]:
    """List the kits to lay out for each valve; what isn't used comes back."""
    return answer_list(request, asked, planned.listing(StagedKitOut, planned.plan.staging))


HANDLERS = (
    get_scope,
    get_limits,
    get_budget,
    get_budget_valves,
    get_budget_cash,
    get_budget_basis,
    get_kits,
    get_staging,
)
