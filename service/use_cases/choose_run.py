"""Which run an answer is taken from, and what must be said above it."""

from collections.abc import Mapping
from datetime import datetime

from msgspec import UNSET, UnsetType

from forecasting.errors import InsufficientData
from models.base import Conflict, Session
from models.engine import Engines
from models.queries import facts, run_log
from models.runs import Run
from service.db import read_session
from service.settings import STALE_AFTER, now

NO_RUN = "not enough data: no run has finished yet; POST /v1/runs"


def choose_run(session: Session, run_id: int | None) -> Run:
    """Find the run whose results are asked for.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int or None
        Which one; None is the latest finished.

    Returns
    -------
    Run
        Finished.

    Raises
    ------
    InsufficientData
        If none has finished.
    NotFound
        If there is none with that id.
    Conflict
        If it has no results, because it has not finished.
    """  # noqa: DOC502 (NotFound comes from the query)
    if run_id is None:
        latest = run_log.latest_finished(session)
        if latest is None:
            raise InsufficientData(NO_RUN)
        return latest
    run = run_log.get_run(session, run_id)
    if run.status != "finished":
        raise Conflict(f"run {run_id} is {run.status}: it has no results")
    return run


def method_of(run: Run, details: Mapping[str, object]) -> str | None:
    """Say by which method a stored row was forecast.

    Parameters
    ----------
    run : Run
        Its run.
    details : mapping
        Of the row: what no valve takes is forecast otherwise than the rest, and says so there.

    Returns
    -------
    str or None
        The run's method if the row has none of its own.
    """
    own = details.get("method")
    return own if isinstance(own, str) else run.method


def notice(session: Session) -> str | UnsetType:
    """Say what every answer from this database must carry.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    str or UNSET
        That the plant is invented, that the forecast is stale, or both.
    """
    said = [facts.get_fact(session, facts.INVENTED_PLANT), stale_notice(session)]
    return "; ".join(one for one in said if one) or UNSET


def is_stale(run: Run | None, *, at: datetime) -> bool:
    """Say whether a forecast is older than it should be.

    Parameters
    ----------
    run : Run or None
        The latest finished one.
    at : datetime
        Now.

    Returns
    -------
    bool
        False if there is none: answers that need one say so themselves.
    """
    return run is not None and run.finished_at is not None and at - run.finished_at > STALE_AFTER


def stale_notice(session: Session, *, at: datetime | None = None) -> str:
    """Say that the forecast is stale, if it is; the same words until another run finishes.

    Parameters
    ----------
    session : Session
        A reader's.
    at : datetime or None
        None is now.

    Returns
    -------
    str
        Empty if it isn't.
    """
    run = run_log.latest_finished(session)
    if run is None or run.finished_at is None or not is_stale(run, at=at or now()):
        return ""
    return f"stale forecast: no run has finished since {run.finished_at.date()}, that one as of {run.as_of}"


def read_notice(engines: Engines) -> str | UnsetType:
    """Say what every answer from this database must carry, when nothing else is read from it.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    str or UNSET
        As `notice`.
    """
    with read_session(engines) as session:
        return notice(session)
