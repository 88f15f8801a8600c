"""One number of a run, for a cell of a spreadsheet."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from msgspec import Struct, UnsetType

from forecasting.errors import InvalidInput
from models.base import NotFound
from models.engine import Engines
from models.queries.results import DemandFilter
from service.listings import Listing
from service.schemas.results import DemandOut, ReorderPointOut
from service.use_cases import ask_window, list_results
from service.use_cases.read_turnaround import read_plan, told_budget

UNTOLD = "the run could not compute it"


@dataclass(frozen=True, kw_only=True)
class Cell:
    """A number, or why there is none, and the run it comes from."""

    value: float | int | Decimal | None
    reason: str
    run: int | UnsetType
    as_of: date | UnsetType
    notice: str | UnsetType


def read_stock_number(
    engines: Engines, column: str, *, run_id: int | None, storeroom: str | None, kit: str | None
) -> Cell:
    """Find a number of a kit in a storeroom.

    Parameters
    ----------
    engines : Engines
        The database.
    column : str
        A field of ReorderPointOut.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom, kit : str or None
        Codes.

    Returns
    -------
    Cell
        Of the run's reorder points.

    Raises
    ------
    InvalidInput
        If a code is missing.
    NotFound
        If the run has nothing of that kit in that storeroom.
    """
    named = {"storeroom": _given("storeroom", storeroom), "kit": _given("kit", kit)}
    listing = list_results.list_reorder_points(engines, run_id=run_id, **named)
    return _first(listing, column, missing=f"the run has no reorder point for {storeroom}, {kit}")


def read_demand_number(
    engines: Engines, column: str, ask: ask_window.Ask, *, run_id: int | None, wanted: DemandFilter
) -> Cell:
    """Find how many of a kit will be needed in some days, or in the first period of a kind.

    Parameters
    ----------
    engines : Engines
        The database.
    column : str
        A field of DemandOut.
    ask : callable
        Computes what the run did not store.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : DemandFilter
        Of one kit; exactly its days if both are given, else the first period of its bucket.

    Returns
    -------
    Cell
        Of the run's demand.

    Raises
    ------
    InvalidInput
        If no kit is named, or only one of the days.
    NotFound
        If the run has no demand of that kit, there and then.
    """
    kit = _given("kit", wanted.kit)
    if (wanted.starts_on is None) != (wanted.ends_on is None):
        raise InvalidInput("starts_on and ends_on go together; without both it is the first period of the bucket")
    if wanted.starts_on is None:
        listing = list_results.list_demand(engines, run_id=run_id, wanted=wanted)
    else:
        listing = ask_window.list_demand_window(engines, ask, run_id=run_id, wanted=wanted)
    return _first(listing, column, missing=f"the run has no demand of {kit} there and then")


def read_turnaround_budget(
    engines: Engines, *, run_id: int | None, turnaround: str | None, percentile: int | None
) -> Cell:
    """Find the budget of a turnaround: base estimate and contingency.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    turnaround : str or None
        Its code.
    percentile : int or None [per cent]
        Of the total, for the contingency; None: as the run chose.

    Returns
    -------
    Cell
        What suffices with that chance.

    Raises
    ------
    InvalidInput
        If no turnaround is named.
    NotFound
        If there is no such turnaround.
    Conflict
        If the run planned none of it.
    """  # noqa: DOC502 (two come from read_plan)
    read = read_plan(engines, code=_given("turnaround", turnaround), run_id=run_id)
    made = told_budget(read, percentile=percentile)
    value = made.base_estimate + made.contingency
    return Cell(value=value, reason="", run=read.run, as_of=read.as_of, notice=read.notice)


def _given(name: str, code: str | None) -> str:
    if not code:
        raise InvalidInput(f"{name} is missing: add {name}=CODE to the address")
    return code


def _first(listing: Listing[DemandOut] | Listing[ReorderPointOut], column: str, *, missing: str) -> Cell:
    rows: list[Struct] = list(listing.read(0, 1).rows)
    if not rows:
        raise NotFound(missing)
    top = listing.top
    return Cell(
        value=getattr(rows[0], column),
        reason=getattr(rows[0], "reason", None) or UNTOLD,
        run=top.run,
        as_of=top.as_of,
        notice=top.notice,
    )
