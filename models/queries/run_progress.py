"""How far a run is, and that the process that computes it lives."""

from datetime import datetime, timedelta

from models.base import Conflict, Session
from models.queries.run_log import get_run
from models.runs import OPEN_STATUSES, Run

LEASE = timedelta(minutes=5)
"""Unless renewed meanwhile, a run is given up for lost after so long: its process may be on another computer."""


def renew_run(session: Session, run_id: int, *, at: datetime) -> None:
    """Say that somebody still means to compute a run.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Which one.
    at : datetime
        Now.

    Raises
    ------
    Conflict
        If it is closed: cancelled, or given up for lost.
    """  # noqa: DOC502 (comes from _open)
    _open(session, run_id).lease_ends_at = at + LEASE


def enter_stage(session: Session, run_id: int, stage: str | None, *, at: datetime) -> None:
    """Note what is done now, and how long what was done before took.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Which one.
    stage : str or None
        What begins; None: nothing, the run is closed.
    at : datetime
        Now.
    """
    run = get_run(session, run_id)
    if run.stage is not None and run.stage_began_at is not None:
        seconds = round((at - run.stage_began_at).total_seconds(), 3)
        run.stage_seconds = {**(run.stage_seconds or {}), run.stage: seconds}
    run.stage, run.stage_began_at = stage, at


def is_lost(run: Run, *, at: datetime) -> bool:
    """Say whether nobody has said for too long that a run is being computed.

    Parameters
    ----------
    run : Run
        Open.
    at : datetime
        Now.

    Returns
    -------
    bool
        False for a run of a version that didn't say so.
    """
    return run.lease_ends_at is not None and run.lease_ends_at <= at


def _open(session: Session, run_id: int) -> Run:
    run = get_run(session, run_id)
    if run.status not in OPEN_STATUSES:
        raise Conflict(f"run {run_id} is {run.status}")
    return run
