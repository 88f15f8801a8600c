"""What a page shows: the lists of the interface that answer one question, together; nothing is computed anew."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from msgspec import UNSET

from forecasting.errors import InsufficientData
from models.base import NotFound
from models.engine import Engines
from models.queries import run_log
from models.queries.backtests import ScoreFilter
from models.queries.findings import FindingFilter
from service.db import read_session
from service.schemas.accuracy import AccuracyOut
from service.schemas.findings import FindingOut
from service.schemas.records import EventRecord, ValveRecord
from service.schemas.results import FailureModelOut, KitNeedOut
from service.use_cases.change_records import list_events_of, read_record
from service.use_cases.choose_run import notice
from service.use_cases.list_accuracy import list_accuracy, told_of_backtest
from service.use_cases.list_findings import list_findings
from service.use_cases.list_results import list_failure_models, list_kit_needs


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What every page says of itself: whose plant, and how old the forecast is; no run before the first."""

    notice: str | None
    run: int | None = None
    as_of: date | None = None
    age_days: int | None = None
    last_backtest: str | None = None


@dataclass(frozen=True, kw_only=True)
class ValveView:
    """A valve: as registered, what was done to it, which kits it may need."""

    valve: ValveRecord
    events: Sequence[EventRecord]
    needs: Sequence[KitNeedOut]


@dataclass(frozen=True, kw_only=True)
class KindOfFinding:
    """How many open findings are of a kind, and how many lives they cost the fit."""

    kind: str
    findings: int
    lives_lost: int


@dataclass(frozen=True, kw_only=True)
class RecordView:
    """What is wrong in the record: by kind, and some of the findings; more follow after `following`."""

    kinds: Sequence[KindOfFinding]
    findings: Sequence[FindingOut]
    following: int | None


@dataclass(frozen=True, kw_only=True)
class PastForecasts:
    """Scores of all kits together, and the best method of each kit for which another was better."""

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


def look_at_record(engines: Engines, *, kind: str | None, after: int, limit: int) -> RecordView:
    """Look at what in the record can't be true or can't be used.

    Parameters
    ----------
    engines : Engines
        The database.
    kind : str or None
        Findings of this kind only.
    after : int
        Findings after this one.
    limit : int [rows]
        How many findings at most.

    Returns
    -------
    RecordView
        Open findings only; the kind that costs most lives first.
    """
    every = list(list_findings(engines, run_id=None, wanted=FindingFilter(open=True)).rows())
    by_kind: dict[str, list[FindingOut]] = {}
    for finding in every:
        by_kind.setdefault(finding.kind, []).append(finding)
    kinds = [
        KindOfFinding(kind=name, findings=len(of_it), lives_lost=sum(one.lives_lost or 0 for one in of_it))
        for name, of_it in by_kind.items()
    ]
    wanted = FindingFilter(kind=kind, open=True)
    part = list_findings(engines, run_id=None, wanted=wanted).read(after, limit)
    ordered = sorted(kinds, key=lambda one: (-one.lives_lost, -one.findings, one.kind))
    return RecordView(kinds=ordered, findings=part.rows, following=part.next_cursor)


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
    lost: dict[tuple[str, str], AccuracyOut] = {}
    for row in sorted(rows, key=lambda row: row.pinball):
        if row.kit and row.verdict == "worse":
            lost.setdefault((row.kit, row.storeroom), row)
    return PastForecasts(together=[row for row in rows if not row.kit], lost=[lost[key] for key in sorted(lost)])
