"""The lists a run gives: models, demand, reorder points, what to order, what a valve needs.

Each takes the database and a run (None is the latest finished) and gives a list that is read part by part.
"""

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from operator import itemgetter
from typing import Protocol, TypeVar

from msgspec import UNSET, UnsetType, structs

from models.base import NotFound, Session
from models.engine import Engines
from models.queries import acceptances, order_list, results, run_log, turnaround_plans
from models.queries.results import DemandFilter
from models.runs import Run, RunChange, RunDemand, RunFailureModel, RunNeed, RunReorderPoint
from service.db import read_session
from service.listings import Listing, Part, Row, StoredRow, cut
from service.schemas.results import (
    CAUTIONS,
    ChangeOut,
    DemandOut,
    FailureModelOut,
    KitNeedOut,
    OrderLineOut,
    Page,
    ReorderPointOut,
    from_row,
    limit_columns,
)
from service.stored_plans import unpacked_kits
from service.translate_order_lines import order_line
from service.translate_turnaround_lines import TurnaroundLine, of_storeroom, order_line_of, turnaround_lines
from service.use_cases.choose_run import choose_run, method_of, notice
from service.use_cases.list_accuracy import told_of_backtest

StoredOut = TypeVar("StoredOut", covariant=True)


class Query(Protocol[StoredOut]):
    """Reads rows of a run after a cursor."""

    def __call__(self, session: Session, run_id: int, *, after: int, limit: int) -> Sequence[StoredOut]:
        """Read at most `limit` rows."""


def list_failure_models(engines: Engines, *, run_id: int | None, service_class: str | None) -> Listing[FailureModelOut]:
    """List how long items last, by service class.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    service_class : str or None
        Only those of this class.

    Returns
    -------
    Listing
        One row per service class and item.
    """

    def shape(run: Run, row: RunFailureModel) -> FailureModelOut:
        return from_row(FailureModelOut, row, method=run.method, **limit_columns(row.details))

    query = partial(results.failure_models, service_class=service_class)
    return _listing(engines, run_id, FailureModelOut, query, shape)


def list_demand(engines: Engines, *, run_id: int | None, wanted: DemandFilter) -> Listing[DemandOut]:
    """List how many kits will be needed, and when.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : DemandFilter
        Which kits, where and when.

    Returns
    -------
    Listing
        One row per kit and period, without the probabilities.
    """

    def shape(run: Run, row: RunDemand) -> DemandOut:
        return from_row(DemandOut, row, method=method_of(run, row.details), probabilities=UNSET)

    return _listing(engines, run_id, DemandOut, partial(results.demand, wanted=wanted), shape, kit=wanted.kit)


def list_demand_distributions(engines: Engines, *, run_id: int | None, wanted: DemandFilter) -> Listing[DemandOut]:
    """List how many kits will be needed, and when, with the probability of each number.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : DemandFilter
        Which kits, where and when.

    Returns
    -------
    Listing
        One row per kit and period; its probabilities are P(D = 0), P(D = 1), ...
    """

    def shape(run: Run, row: RunDemand) -> DemandOut:
        return from_row(DemandOut, row, method=method_of(run, row.details))

    return _listing(engines, run_id, DemandOut, partial(results.demand, wanted=wanted), shape, kit=wanted.kit)


def list_reorder_points(
    engines: Engines, *, run_id: int | None, storeroom: str | None, kit: str | None
) -> Listing[ReorderPointOut]:
    """List how low each kit may run.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom, kit : str or None
        Only those of this storeroom, of this kit.

    Returns
    -------
    Listing
        One row per storeroom and kit.
    """

    def shape(run: Run, row: RunReorderPoint) -> ReorderPointOut:
        return from_row(ReorderPointOut, row, method=method_of(run, row.details))

    query = partial(results.reorder_points, storeroom=storeroom, kit=kit)
    return _listing(engines, run_id, ReorderPointOut, query, shape, kit=kit)


def list_changes(engines: Engines, *, run_id: int, storeroom: str | None, kit: str | None) -> Listing[ChangeOut]:
    """List what made expected kits others than in the run before.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which run.
    storeroom, kit : str or None
        Only those of this storeroom ('': the whole plant), of this kit.

    Returns
    -------
    Listing
        One row per kit for the whole plant and for each storeroom. Where there is none its notice says why.
    """

    def shape(_: Run, row: RunChange) -> ChangeOut:
        return from_row(ChangeOut, row)

    query = partial(results.changes, storeroom=storeroom, kit=kit)
    listing = _listing(engines, run_id, ChangeOut, query, shape)
    if listing.read(0, 1).rows:
        return listing
    with read_session(engines) as session:
        why = _why_no_change(session, choose_run(session, run_id))
    said = listing.top.notice
    top = structs.replace(listing.top, notice=why if said is UNSET else f"{said}; {why}")
    return Listing(shape=ChangeOut, read=listing.read, top=top)


def _why_no_change(session: Session, run: Run) -> str:
    """Say why there is nothing to list of what changed."""
    if results.changes(session, run.id, storeroom=None, kit=None, after=0, limit=1):
        return (
            "no change is told of that kit in that storeroom: compared are kits that valves take, where they take them"
        )
    before = run_log.earlier_one(session, run)
    if before is None:
        return f"there is nothing to compare run {run.id} with: no run finished before it, as of {run.as_of} or earlier"
    if not run.counts.get("valves"):
        return f"no valve is in the record that run {run.id} read: compared are kits that valves take"
    return f"run {run.id} couldn't be compared with run {before.id}: what that one had read was no longer kept"


def list_orders(engines: Engines, *, run_id: int | None, storeroom: str | None) -> Listing[OrderLineOut]:
    """List what to order and which orders to chase, late ones first; what was taken since isn't to be ordered again.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom : str or None
        Only those of this storeroom.

    Returns
    -------
    Listing
        One row per storeroom and kit that wants something done, and per kit to be ordered for a turnaround by then.
    """
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        run_id, as_of = run.id, run.as_of
        taken = acceptances.taken_of_run(session, run_id)
        planned_taken = acceptances.taken_for_turnarounds(session, run_id)
        plans = [unpacked_kits(content) for content in turnaround_plans.stored_plans(session, run_id)]
    planned = turnaround_lines(plans, planned_taken, as_of=as_of)

    def shape(run: Run, row: RunReorderPoint | TurnaroundLine) -> OrderLineOut:
        if isinstance(row, TurnaroundLine):
            return order_line_of(row, method=run.method or "")
        method = method_of(run, row.details)
        return order_line(row, method=method, taken=taken.get((row.storeroom_key, row.kit_key)))

    query = partial(_lines, storeroom=storeroom, as_of=as_of, planned=of_storeroom(planned, storeroom))
    return _listing(engines, run_id, OrderLineOut, query, shape, cautions=CAUTIONS)


def _lines(
    session: Session,
    run_id: int,
    *,
    storeroom: str | None,
    as_of: date,
    planned: Sequence[TurnaroundLine],
    after: int,
    limit: int,
) -> Sequence[RunReorderPoint | TurnaroundLine]:
    """Read lines of both kinds after a cursor, by the day to act on."""
    at_turnaround = {line.id: line.place for line in planned}.get(after)
    place = at_turnaround or order_list.find_place(session, after, as_of=as_of)
    running = order_list.order_list(session, run_id, storeroom=storeroom, after=place, limit=limit)
    places: list[tuple[order_list.Place, RunReorderPoint | TurnaroundLine]] = [
        *((order_list.place_of(row, as_of=as_of), row) for row in running),
        *((line.place, line) for line in planned if place is None or line.place > place),
    ]
    return [line for _, line in sorted(places, key=itemgetter(0))[:limit]]


def list_kit_needs(engines: Engines, *, run_id: int | None, tag: str) -> Listing[KitNeedOut]:
    """List the kits a valve may need.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    tag : str
        The valve's.

    Returns
    -------
    Listing
        One row per kit and item.

    Raises
    ------
    NotFound
        If the run knows of no need of such a valve.
    """
    query = partial(results.needs_of_valve, tag=tag)
    listing = _listing(engines, run_id, KitNeedOut, query, _kit_need, cautions=CAUTIONS)
    if not listing.read(0, 1).rows:
        raise NotFound(f"run {listing.top.run} knows of no kit that a valve {tag} may need")
    return listing


def _listing(
    engines: Engines,
    run_id: int | None,
    row_type: type[Row],
    query: Query[StoredRow],
    shape: Callable[[Run, StoredRow], Row],
    *,
    cautions: Sequence[str] | UnsetType = UNSET,
    kit: str | None = None,
) -> Listing[Row]:
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        said, tested = notice(session), told_of_backtest(session, run, kit=kit)

    def read(after: int, limit: int) -> Part[Row]:
        with read_session(engines) as session:
            stored = query(session, run.id, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=partial(shape, run))

    top = Page[Row](
        value=(),
        run=run.id,
        as_of=run.as_of,
        method=run.method or UNSET,
        cautions=cautions,
        last_backtest=tested,
        notice=said,
    )
    return Listing(shape=row_type, read=read, top=top)


def _kit_need(run: Run, row: RunNeed) -> KitNeedOut:
    starts_on = row.details.get("next_turnaround_on")
    return from_row(
        KitNeedOut,
        row,
        method=run.method,
        p_before_turnaround=row.details.get("p_before_turnaround"),
        next_turnaround_on=None if starts_on is None else date.fromisoformat(starts_on),
    )
