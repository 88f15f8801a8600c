"""One value as plain text, for a cell of a spreadsheet; errors too are text that a cell can show."""

from datetime import date
from typing import Annotated, Any, Literal

from litestar import Request, Response, get
from litestar.connection import ASGIConnection
from litestar.datastructures.headers import Accept
from litestar.di import NamedDependency
from litestar.exceptions import ClientException
from litestar.handlers.base import BaseRouteHandler
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import FromPath, QueryParameter
from msgspec import UNSET

from models.engine import Engines
from models.queries.results import DemandFilter
from service import problems
from service.csv_cells import cell_text
from service.csv_tables import DECIMAL_MARK, Dialect
from service.described_structs import DescribedOperation
from service.problem_kinds import KIND_OF_STATUS
from service.routes.answers import NOT_ACCEPTABLE, documented
from service.routes.results import OfArea, OfClass, OfStoreroom, RunNumber
from service.use_cases import ask_window, read_cell
from service.use_cases.read_cell import Cell
from service.window_processes import WindowProcesses

TEXT = "text/plain"
BEFORE_THE_CELL = (401, 403, 429)
IN_THE_CELL = (400, 404, 406, 409, 500, 503)
StockMeasure = Literal["reorder-point", "order-quantity", "position"]
STOCK_COLUMNS = {"reorder-point": "reorder_point", "order-quantity": "order_quantity", "position": "position"}
DEMAND_COLUMNS = {"demand-mean": "mean", "demand-p90": "p90"}
Measure = Literal["demand-mean", "demand-p90", "reorder-point", "order-quantity", "position", "turnaround-budget"]
KitCode = Annotated[str | None, QueryParameter(description="The kit; always needed, but for a turnaround's budget.")]
TurnaroundCode = Annotated[str | None, QueryParameter(description="Of turnaround-budget: its code.")]
Percentile = Annotated[
    int | None, QueryParameter(ge=1, le=99, description="Of turnaround-budget: its chance to suffice, in per cent.")
]
Bucket = Annotated[
    Literal["week", "month", "quarter", "year", "protection_interval"],
    QueryParameter(description="Of demand: its first period from the data cut-off on, unless both days are given."),
]
Day = Annotated[
    date | None, QueryParameter(description="Of demand: first and last day, both or none; may take seconds.")
]


def accepts_text(request: ASGIConnection[Any, Any, Any, Any], _: BaseRouteHandler) -> None:
    """Refuse a request whose sender reads no text.

    Parameters
    ----------
    request : ASGIConnection
        The request.

    Raises
    ------
    ClientException
        With status 406.
    """
    if Accept(request.headers.get("Accept", "*/*")).best_match([TEXT]) is None:
        raise ClientException("A cell is given as text/plain only.", status_code=NOT_ACCEPTABLE)


def answer_in_text(request: Request[Any, Any, Any], error: Exception) -> Response[Any]:
    """Tell what went wrong in one line of text, with the status and headers of its problem document.

    Parameters
    ----------
    request : Request
        What was asked.
    error : Exception
        What was raised.

    Returns
    -------
    Response
        Text that begins with the name of the service, so that no spreadsheet takes it for a number or a formula.
    """
    answer = problems.answer(request, error)
    told = [answer.content.detail, *(f"{one.parameter}: {one.expected}." for one in answer.content.errors)]
    line = " ".join(" ".join(told).split())
    return Response(
        f"valve-kits: {line}", status_code=answer.status_code, media_type=TEXT, headers=dict(answer.headers)
    )


RESPONSES = {
    **documented(*BEFORE_THE_CELL),
    **{
        status: ResponseSpec(str, description=KIND_OF_STATUS[status].title, media_type=TEXT, generate_examples=False)
        for status in IN_THE_CELL
    },
}


class CellOperation(DescribedOperation):
    """A cell in the API description: a line of text, but what is refused at the door is a problem document."""

    def __post_init__(self) -> None:
        """Add what a NUL character in the address is answered with."""
        super().__post_init__()
        at_the_door, unreadable = (
            getattr((self.responses or {}).get(status), "content", {}) for status in ("401", "400")
        )
        unreadable.update(at_the_door)


@get(
    "/cell/{measure:str}",
    responses=RESPONSES,
    operation_class=CellOperation,
    media_type=TEXT,
    guards=[accepts_text],
    exception_handlers={Exception: answer_in_text},
    sync_to_thread=True,
)
def get_cell(
    engines: NamedDependency[Engines],
    windows: NamedDependency[WindowProcesses],
    measure: FromPath[Measure],
    kit: KitCode = None,
    storeroom: OfStoreroom = None,
    area: OfArea = None,
    service_class: OfClass = None,
    bucket: Bucket = "year",
    starts_on: Day = None,
    ends_on: Day = None,
    turnaround: TurnaroundCode = None,
    percentile: Percentile = None,
    dialect: Annotated[Dialect, QueryParameter(description="semicolon has a decimal comma.")] = "comma",
    run: RunNumber = None,
) -> Response[str]:
    """Tell one number as plain text, or `unknown` and why; reorder point, order quantity, position need a storeroom.

    A turnaround's budget is its base estimate and contingency. Demand is that of the whole plant if no area, storeroom
    or service class is named. The headers X-Run and X-As-Of say where it comes from. A key of the role sheet may stand
    in the address as key=KEY.
    """
    if measure in STOCK_COLUMNS:
        cell = read_cell.read_stock_number(engines, STOCK_COLUMNS[measure], run_id=run, storeroom=storeroom, kit=kit)
        return _answer(cell, dialect)
    if measure == "turnaround-budget":
        cell = read_cell.read_turnaround_budget(engines, run_id=run, turnaround=turnaround, percentile=percentile)
        return _answer(cell, dialect)
    whose = ask_window.whose(area, storeroom, service_class)
    wanted = DemandFilter(whose=whose, bucket=bucket, kit=kit, starts_on=starts_on, ends_on=ends_on)
    cell = read_cell.read_demand_number(engines, DEMAND_COLUMNS[measure], windows.ask, run_id=run, wanted=wanted)
    return _answer(cell, dialect)


def _answer(cell: Cell, dialect: Dialect) -> Response[str]:
    said = {"X-Run": cell.run, "X-As-Of": cell.as_of, "X-Notice": cell.notice}
    known = cell.value is not None
    text = cell_text(cell.value, decimal_mark=DECIMAL_MARK[dialect]) if known else f"unknown: {cell.reason}"
    return Response(
        text, media_type=TEXT, headers={name: str(value) for name, value in said.items() if value is not UNSET}
    )


HANDLERS = (get_cell,)
