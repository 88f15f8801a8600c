"""How many of what there are, for those who watch over the service."""

from sqlalchemy import func
from sqlmodel import col, select

from models.base import Session
from models.runs import Run, RunFinding
from models.scheduling import ScheduledJob


def count_runs(session: Session) -> dict[str, int]:
    """Count runs by how they ended or stand.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    dict of str to int
        By status.
    """
    return dict(session.exec(select(Run.status, func.count()).group_by(col(Run.status))).all())


def count_jobs(session: Session) -> dict[str, int]:
    """Count scheduled jobs by how they ended or stand.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    dict of str to int
        By status.
    """
    return dict(session.exec(select(ScheduledJob.status, func.count()).group_by(col(ScheduledJob.status))).all())


def count_findings(session: Session, run_id: int) -> dict[str, int]:
    """Count the findings of a run.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    dict of str to int
        By kind.
    """
    wanted = select(RunFinding.kind, func.count()).where(RunFinding.run_id == run_id).group_by(col(RunFinding.kind))
    return dict(session.exec(wanted).all())
