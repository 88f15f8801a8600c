"""How good past forecasts would have been: the last back-test of a run."""

from datetime import date
from functools import partial

import msgspec
from msgspec import UNSET, UnsetType

from forecasting.errors import InsufficientData
from models.backtests import Backtest
from models.base import Session, code_key
from models.engine import Engines
from models.queries import backtests
from models.queries.backtests import ScoreFilter
from models.runs import Run
from service.db import read_session
from service.listings import Listing, Part, cut
from service.schemas.accuracy import AccuracyOut, BacktestOut
from service.schemas.results import Page, from_row
from service.use_cases.choose_run import choose_run, notice

NO_BACKTEST = "not enough data: no back-test was made up to run {run}; valve-kits backtest"


def list_accuracy(engines: Engines, *, run_id: int | None, wanted: ScoreFilter) -> Listing[AccuracyOut]:
    """List how good the forecast and simple methods were, by the back-test that was the last when a run was.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : ScoreFilter
        Which scores.

    Returns
    -------
    Listing
        One row per kit, storeroom and method; all kits together first.

    Raises
    ------
    InsufficientData
        If there is no back-test yet.
    """
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        made = backtests.last_backtest(session, run.id)
        said = notice(session)
    if made is None:
        raise InsufficientData(NO_BACKTEST.format(run=run.id))
    number = made.id

    def read(after: int, limit: int) -> Part[AccuracyOut]:
        with read_session(engines) as session:
            stored = backtests.list_scores(session, number, wanted, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=partial(from_row, AccuracyOut))

    top = Page[AccuracyOut](value=(), run=run.id, as_of=run.as_of, last_backtest=made.summary, notice=said)
    return Listing(shape=AccuracyOut, read=read, top=top)


def backtest_of(session: Session, run: Run) -> BacktestOut | None:
    """Look at the back-test that was the last when a run was.

    Parameters
    ----------
    session : Session
        A reader's.
    run : Run
        Which run.

    Returns
    -------
    BacktestOut or None
        With its age beside the run.
    """
    made = backtests.last_backtest(session, run.id)
    return None if made is None else _out(made, as_of=run.as_of)


def _out(made: Backtest, *, as_of: date) -> BacktestOut:
    told = {
        "computed_on": made.computed_at.date(),
        "as_of": made.as_of,
        "age_days": (as_of - made.as_of).days,
        "horizon_days": made.horizon_days,
        "summary": made.summary,
    }
    return msgspec.convert(told | made.details, BacktestOut)


def told_of_backtest(session: Session, run: Run, *, kit: str | None) -> str | UnsetType:
    """Say above an answer how good the forecast was, and whether something else was better for its kit.

    Parameters
    ----------
    session : Session
        A reader's.
    run : Run
        Which run.
    kit : str or None
        The kit asked for; None: no one in particular.

    Returns
    -------
    str or UNSET
        UNSET where no back-test was made.
    """
    made = backtest_of(session, run)
    if made is None:
        return UNSET
    lost = [one for one in made.lost if kit is not None and one.kit and code_key(one.kit) == code_key(kit)]
    named = (f"{one.method}{f' in {one.storeroom}' if one.storeroom else ''}" for one in lost)
    return (
        f"{made.summary}; for kit {lost[0].kit} better than the forecast: {', '.join(named)}" if lost else made.summary
    )
