"""The forecast as a workbook: what to order, what will be needed, and a chart of it."""

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, BinaryIO, cast

from msgspec import UNSET, Struct, structs

from models.engine import Engines
from models.queries import turnaround_plans
from models.queries.results import DemandFilter, Whose
from service.db import read_session
from service.formatted_sheets import Book, add_lines, add_table, open_book
from service.listings import Listing
from service.schemas.results import CAUTIONS, DemandOut, Page, columns_of
from service.schemas.turnarounds import BudgetLineOut, BudgetOut
from service.use_cases import list_results
from service.use_cases.read_turnaround import stored, told_budget

KINDS = ("unplanned_mean", "planned_mean", "turnaround_mean")
KIND_NAMES = ("unplanned", "planned", "turnaround")
ORDERS, DEMAND, MONTHS, ABOUT = "Order list", "Demand", "Kits by month", "About"
BUDGETS = "Turnaround budgets"
CHOSEN = ("base_estimate", "contingency_percentile", "contingency")
CHART_PIXELS = {"width": 760, "height": 380}


@dataclass(frozen=True, kw_only=True)
class _Month:
    starts_on: date
    means: tuple[float, ...]


def make_workbook(engines: Engines, *, run_id: int | None) -> BinaryIO:
    """Write what a run says as a workbook.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    binary file
        At its beginning; the caller closes it.

    Raises
    ------
    InsufficientData
        If no run has finished.
    NotFound
        If there is no such run.
    """  # noqa: DOC502 (both come from the lists)
    orders = list_results.list_orders(engines, run_id=run_id, storeroom=None)
    wanted = DemandFilter(whose=Whose(), bucket="month")
    demand = list_results.list_demand(engines, run_id=_known(orders.top.run), wanted=wanted)
    target = tempfile.SpooledTemporaryFile(1024 * 1024)  # noqa: SIM115 (the caller's)
    book = open_book(cast("BinaryIO", target), made_on=_known(orders.top.as_of))
    _add_listing(book, ORDERS, orders)
    months = _by_month(demand.rows())
    lines = _add_listing(book, DEMAND, demand)
    _add_months(book, months, lines=lines)
    _add_budgets(book, engines, run_id=_known(orders.top.run))
    add_lines(book, ABOUT, _about(orders.top))
    book.book.close()
    target.seek(0)
    return cast("BinaryIO", target)


def _known(value: Any) -> Any:
    return None if value is UNSET else value


def _add_listing(book: Book, name: str, listing: Listing[Any]) -> int:
    notice = _known(listing.top.notice)
    header = [*columns_of(listing.shape), *([] if notice is None else ["notice"])]
    return add_table(book, name, header, (_cells(row, notice) for row in listing.rows()))


def _cells(row: Struct, notice: str | None) -> dict[str, object]:
    return {**structs.asdict(row), "notice": notice}


def _by_month(rows: Iterator[DemandOut]) -> list[_Month]:
    """Add up expected kits; unlike quantiles, means may be added."""
    sums: dict[date, list[float]] = {}
    for row in rows:
        month = sums.setdefault(row.starts_on, [0.0] * len(KINDS))
        for place, kind in enumerate(KINDS):
            month[place] += getattr(row, kind) or 0.0
    return [_Month(starts_on=day, means=tuple(means)) for day, means in sorted(sums.items())]


def _add_months(book: Book, months: Sequence[_Month], *, lines: int) -> None:
    sheet = book.book.add_worksheet(MONTHS)
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, len(KINDS), 12)
    for place, name in enumerate(("starts_on", *KIND_NAMES)):
        sheet.write_string(0, place, name, book.header)
    for number, month in enumerate(months, start=1):
        sheet.write_datetime(number, 0, month.starts_on, book.formats[date])
        for place, mean in enumerate(month.means, start=1):
            formula = _sum_of(KINDS[place - 1], row=number + 1, lines=lines)
            sheet.write_formula(number, place, formula, book.formats[float], mean)
    if months:
        sheet.insert_chart(1, len(KINDS) + 2, _chart(book, last=len(months)), CHART_PIXELS)


def _sum_of(kind: str, *, row: int, lines: int) -> str:
    names = columns_of(DemandOut)
    mean, day = (chr(ord("A") + names.index(name)) for name in (kind, "starts_on"))
    cells = f"{DEMAND}!${mean}$2:${mean}${lines + 1}, {DEMAND}!${day}$2:${day}${lines + 1}"
    return f"=SUMIFS({cells}, $A{row})"


def _chart(book: Book, *, last: int) -> Any:
    chart = book.book.add_chart({"type": "column", "subtype": "stacked"})
    for place, name in enumerate(KIND_NAMES, start=1):
        chart.add_series({
            "name": name,
            "categories": [MONTHS, 1, 0, last, 0],
            "values": [MONTHS, 1, place, last, place],
        })
    chart.set_title({"name": "Kits expected to be needed, all kits together"})
    chart.set_x_axis({"date_axis": True, "num_format": "yyyy-mm"})
    chart.set_y_axis({"name": "kits a month"})
    chart.set_size(CHART_PIXELS)
    return chart


def _add_budgets(book: Book, engines: Engines, *, run_id: int) -> None:
    """Add the lines of each turnaround the run planned; without any, no sheet."""
    with read_session(engines) as session:
        codes = turnaround_plans.planned_codes(session, run_id)
        plans = [told_budget(stored(session, code, run_id)) for code in codes]
    if plans:
        top = ("turnaround", "starts_on", *columns_of(BudgetLineOut), *CHOSEN)
        add_table(book, BUDGETS, top, (row for plan in plans for row in _budget_cells(plan)))


def _budget_cells(plan: BudgetOut) -> Iterator[dict[str, object]]:
    told = {name: getattr(plan, name) for name in ("turnaround", "starts_on", *CHOSEN)}
    yield from ({**told, **structs.asdict(line)} for line in plan.lines)


def _about(top: Page[Any]) -> Iterator[tuple[str, object]]:
    said = {
        "notice": top.notice,
        "run": top.run,
        "as_of": top.as_of,
        "method": top.method,
        "back-test": top.last_backtest,
    }
    yield from ((label, value) for label, value in said.items() if value is not UNSET)
    yield from (("caution", text) for text in CAUTIONS)
