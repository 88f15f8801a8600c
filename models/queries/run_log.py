"""Looking at runs."""

from collections.abc import Sequence
from datetime import date

from sqlmodel import col, select

from models.base import NotFound, Session
from models.runs import Run

# put together once: every answer asks it, and that takes longer than asking
LATEST_FINISHED = select(Run).where(Run.status == "finished").order_by(col(Run.id).desc()).limit(1)


def get_run(session: Session, run_id: int) -> Run:
    """Find a run.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.
    run_id : int
        Which one.

    Returns
    -------
    Run
        As it is now.

    Raises
    ------
    NotFound
        If there is none with that id.
    """
    run = session.get(Run, run_id)
    if run is None:
        raise NotFound(f"there is no run {run_id}")
    return run


def open_run(session: Session) -> Run | None:
    """Find the run that is queued or running.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.

    Returns
    -------
    Run or None
        There is at most one.
    """
    return session.exec(select(Run).where(col(Run.open_slot).is_not(None))).one_or_none()


def latest_finished(session: Session) -> Run | None:
    """Find the run whose results count now.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.

    Returns
    -------
    Run or None
        The last one that was finished.
    """
    return session.exec(LATEST_FINISHED).one_or_none()


def finished_before(session: Session, *, as_of: date) -> Run | None:
    """Find the run that a new one is compared with.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.
    as_of : date
        The new one's data cut-off.

    Returns
    -------
    Run or None
        The last one that was finished, of the same cut-off or an earlier one.
    """
    finished = select(Run).where(Run.status == "finished", col(Run.as_of) <= as_of)
    return session.exec(finished.order_by(col(Run.id).desc()).limit(1)).one_or_none()


def earlier_one(session: Session, run: Run) -> Run | None:
    """Find the run that one was to be compared with, whether or not it could be.

    Parameters
    ----------
    session : Session
        A reader's.
    run : Run
        The later one.

    Returns
    -------
    Run or None
        The last one finished before it, of the same cut-off or an earlier one.
    """
    finished = select(Run).where(Run.status == "finished", col(Run.as_of) <= run.as_of, col(Run.id) < run.id)
    return session.exec(finished.order_by(col(Run.id).desc()).limit(1)).one_or_none()


def list_runs(session: Session, *, before: int | None, limit: int) -> Sequence[Run]:
    """List runs, the newest first.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.
    before : int or None
        Only those with a smaller id.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of Run
        In descending order of id.
    """
    wanted = select(Run).order_by(col(Run.id).desc()).limit(limit)
    return session.exec(wanted if before is None else wanted.where(col(Run.id) < before)).all()
