"""How good past forecasts would have been."""

from typing import Annotated, Any, Literal

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from models.engine import Engines
from models.queries.backtests import ScoreFilter
from service.routes.answers import Asked, answer_list, get_list
from service.routes.results import OnlyCode, RunNumber
from service.schemas.accuracy import AccuracyOut
from service.schemas.results import Page
from service.use_cases import list_accuracy

Verdict = Annotated[
    Literal["better", "alike", "worse"] | None,
    QueryParameter(description="Only methods beside which the forecast was this."),
]


@get_list("/accuracy")
def get_accuracy(
    request: Request[Any, Any, Any],
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    kit: OnlyCode = None,
    storeroom: OnlyCode = None,
    verdict: Verdict = None,
) -> Response[Page[AccuracyOut]]:
    """List how good the forecast would have been from earlier days, beside simple methods and the levels kept."""
    wanted = ScoreFilter(kit=kit, storeroom=storeroom, verdict=verdict)
    return answer_list(request, asked, list_accuracy.list_accuracy(engines, run_id=run, wanted=wanted))


HANDLERS = (get_accuracy,)
