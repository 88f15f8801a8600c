"""What a page shows: the lists of the interface that answer one question, together; nothing is computed anew."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

from msgspec import UNSET

from forecasting.errors import InsufficientData
from models.base import NotFound, code_key
from models.engine import Engines
from models.queries import run_log, single_records
from models.queries.backtests import ScoreFilter
from models.queries.files import FILES
from models.queries.results import DemandFilter, Whose
from models.queries.rows import read_part
from service.db import read_session
from service.schemas.accuracy import AccuracyOut
from service.schemas.records import RECORDS, EventRecord, OrderRecord, Record, ValveRecord
from service.schemas.results import DemandOut, FailureModelOut, KitNeedOut, ReorderPointOut
from service.schemas.why import WhyOut
from service.use_cases.change_records import list_events_of, list_records, read_record
from service.use_cases.choose_run import notice
from service.use_cases.explain_reorder_point import explain_reorder_point
from service.use_cases.list_accuracy import list_accuracy, told_of_backtest
from service.use_cases.list_results import list_demand, list_failure_models, list_kit_needs, list_reorder_points

MOST_ROWS = 1000


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What every page says of itself: whose plant, and how old the forecast is; no run before the first."""

    notice: str | None
    run: int | None = None
    as_of: date | None = None
    age_days: int | None = None
    last_backtest: str | None = None


@dataclass(frozen=True, kw_only=True)
class KitInStore:
    """A kit in one storeroom: the proposal, why, what is on order, and what is expected there by month."""

    proposal: ReorderPointOut
    why: WhyOut
    on_hand: int
    arriving: Sequence[tuple[date, int]]
    months: Sequence[DemandOut]


@dataclass(frozen=True, kw_only=True)
class KitView:
    """A kit: what the plant is expected to take by month, and each storeroom."""

    code: str
    months: Sequence[DemandOut]
    years: Sequence[DemandOut]
    storerooms: Sequence[KitInStore]


@dataclass(frozen=True, kw_only=True)
class ValveView:
    """A valve: as registered, what was done to it, which kits it may need."""

    valve: ValveRecord
    events: Sequence[EventRecord]
    needs: Sequence[KitNeedOut]


@dataclass(frozen=True, kw_only=True)
class PastForecasts:
    """Scores of all kits together, and those of kits for which another method was better."""

    together: Sequence[AccuracyOut]
    lost: Sequence[AccuracyOut]


def read_standing(engines: Engines, *, today: date) -> Standing:
    """Say whose plant this is and how old its forecast is.

    Parameters
    ----------
    engines : Engines
        The database.
    today : date
        The forecast's age is counted to here.

    Returns
    -------
    Standing
        Of the latest finished run.
    """
    with read_session(engines) as session:
        said, run = notice(session), run_log.latest_finished(session)
        invented = None if said is UNSET else said
        if run is None:
            return Standing(notice=invented)
        tested = told_of_backtest(session, run, kit=None)
    age = (today - run.as_of).days
    tested_text = None if tested is UNSET else tested
    return Standing(notice=invented, run=run.id, as_of=run.as_of, age_days=age, last_backtest=tested_text)


def look_at_kit(engines: Engines, code: str) -> KitView:
    """Look at a kit.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        The kit.

    Returns
    -------
    KitView
        By the latest finished run.

    Raises
    ------
    NotFound
        If that run knows of no such kit.
    """
    proposals = list(list_reorder_points(engines, run_id=None, storeroom=None, kit=code).rows())
    months, years = (_demand(engines, code, bucket, Whose()) for bucket in ("month", "year"))
    if not proposals and not months:
        raise NotFound(f"the latest run knows of no kit {code}")
    known_as = proposals[0].kit if proposals else months[0].kit
    orders = _of_kit(engines, "orders", code)
    stored = [_in_store(engines, proposal, orders) for proposal in proposals]
    return KitView(code=known_as, months=months, years=years, storerooms=stored)


def look_at_class(engines: Engines, code: str) -> Sequence[FailureModelOut]:
    """Look at a service class.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        The class.

    Returns
    -------
    sequence of FailureModelOut
        One for each item.

    Raises
    ------
    NotFound
        If the latest finished run knows of no such class.
    """
    models = list(list_failure_models(engines, run_id=None, service_class=code).rows())
    if not models:
        raise NotFound(f"the latest run knows of no service class {code}")
    return models


def look_at_valve(engines: Engines, tag: str) -> ValveView:
    """Look at a valve.

    Parameters
    ----------
    engines : Engines
        The database.
    tag : str
        Its.

    Returns
    -------
    ValveView
        Without needs where no run knows of any.

    Raises
    ------
    NotFound
        If there is no such valve.
    """  # noqa: DOC502 (comes from reading the record)
    valve = read_record(engines, "valves", [tag]).record
    events = [event for event in list_events_of(engines, tag).rows() if isinstance(event, EventRecord)]
    try:
        needs = list(list_kit_needs(engines, run_id=None, tag=tag).rows())
    except (NotFound, InsufficientData):
        needs = []
    if not isinstance(valve, ValveRecord):
        raise NotFound(f"there is no valve {tag}")
    return ValveView(valve=valve, events=sorted(events, key=lambda event: event.done_on), needs=needs)


def look_at_past_forecasts(engines: Engines) -> PastForecasts:
    """Look at how good past forecasts would have been.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    PastForecasts
        Empty before the first back-test.
    """
    wanted = ScoreFilter(kit=None, storeroom=None, verdict=None)
    try:
        rows = list(list_accuracy(engines, run_id=None, wanted=wanted).rows())
    except InsufficientData:
        rows = []
    lost = [row for row in rows if row.kit and row.verdict == "worse"]
    return PastForecasts(together=[row for row in rows if not row.kit], lost=lost)


def find_valves(engines: Engines, part: str) -> Sequence[ValveRecord]:
    """Find valves by a part of their tag.

    Parameters
    ----------
    engines : Engines
        The database.
    part : str
        Without regard to case; empty finds all.

    Returns
    -------
    sequence of ValveRecord
        At most a thousand.
    """
    wanted = code_key(part)
    rows = list_records(engines, "valves").rows()
    found = (row for row in rows if isinstance(row, ValveRecord) and wanted in code_key(row.tag))
    return list(islice(found, MOST_ROWS))


def _demand(engines: Engines, kit: str, bucket: str, whose: Whose) -> list[DemandOut]:
    wanted = DemandFilter(whose=whose, bucket=bucket, kit=kit, starts_on=None, ends_on=None)
    return list(list_demand(engines, run_id=None, wanted=wanted).rows())


def _in_store(engines: Engines, proposal: ReorderPointOut, orders: Sequence[Record]) -> KitInStore:
    store = proposal.storeroom
    why = explain_reorder_point(engines, run_id=None, storeroom=store, kit=proposal.kit)
    open_orders = [
        (order.due_on, order.qty - (order.received_qty or 0))
        for order in orders
        if isinstance(order, OrderRecord)
        and order.received_on is None
        and order.due_on is not None
        and code_key(order.storeroom) == code_key(store)
    ]
    months = _demand(engines, proposal.kit, "month", Whose(storeroom=store))
    return KitInStore(
        proposal=proposal, why=why, on_hand=int(why.position.on_hand or 0), arriving=open_orders, months=months
    )


def _of_kit(engines: Engines, file: str, kit: str) -> list[Record]:
    with read_session(engines) as session:
        try:
            row = single_records.find_row(session, "kits", [kit])
        except NotFound:
            return []
        stored = read_part(session, FILES[file], after=0, limit=MOST_ROWS, of={"kit_id": row.id})
    return [RECORDS[file](**one.values) for one in stored]
