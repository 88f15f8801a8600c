"""What kits will cost outside turnarounds, for those who budget."""

from typing import Annotated, Any, Literal

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from models.engine import Engines
from models.queries.spending import SpendFilter
from service.routes.answers import Asked, answer_list, get_list
from service.routes.results import FromDay, RunNumber, ToDay
from service.schemas.results import Page
from service.schemas.spend import SpendOut
from service.use_cases.list_spend import list_spending

AnyRequest = Request[Any, Any, Any]


@get_list("/spend")
def get_spend(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    area: Annotated[
        str | None, QueryParameter(description="Only this one; empty: the whole plant; left out: all and the plant.")
    ] = None,
    bucket: Annotated[Literal["month", "quarter", "year"], QueryParameter(description="Which periods.")] = "month",
    kind: Annotated[
        Literal["unplanned", "planned", "total"] | None, QueryParameter(description="Only this one.")
    ] = None,
    starts_on: FromDay = None,
    ends_on: ToDay = None,
) -> Response[Page[SpendOut]]:
    """List what kits will cost per month, quarter or year outside turnarounds, by area (cost centre).

    Kits count in the period in which they leave the shelf, at the price of the record; work isn't in it. Quantiles
    don't add: rows of the plant, of a year and of the total are distributions of their own.
    """
    wanted = SpendFilter(bucket=bucket, area=area, kind=kind, starts_on=starts_on, ends_on=ends_on)
    return answer_list(request, asked, list_spending(engines, run_id=run, wanted=wanted))


HANDLERS = (get_spend,)
