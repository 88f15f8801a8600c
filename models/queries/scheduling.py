"""Leases of scheduled jobs: who does what is due, and who no longer may."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import col, select

from models.base import Conflict, NotFound, Session
from models.queries import runs
from models.queries.run_log import get_run
from models.queries.run_progress import LEASE
from models.scheduling import ScheduledJob

MOST_ATTEMPTS = 5
TAKEN_OVER = "The process that computed this run was given up for lost; another one took over."
GIVEN_UP = f"Given up: {MOST_ATTEMPTS} processes began it, none of them ended it."
OVERTAKEN = "Not finished before it was due again."
FINISHED_UNSAID = "The run finished; the process that computed it ended before it could say so."
BEFORE_THE_SCHEDULE = "Due before a scheduler was first started here."


@dataclass(frozen=True, kw_only=True)
class Holder:
    """A process, and a way to tell whether another one on its computer lives."""

    host: str
    pid: int
    is_alive: Callable[[int], bool]


@dataclass(frozen=True, kw_only=True)
class Claim:
    """A job somebody holds; `token` is what everything stored for it is checked against."""

    id: int
    job: str
    due_at: datetime
    token: int


def begin_schedule(session: Session, job: str, *, due_at: datetime, holder: Holder, at: datetime) -> None:
    """Note that nothing was missed before a scheduler was first started.

    Parameters
    ----------
    session : Session
        A writer's.
    job : str
        Which job.
    due_at : datetime
        When it would have been due last.
    holder : Holder
        This process.
    at : datetime
        Now.
    """
    if session.exec(select(ScheduledJob).where(ScheduledJob.job == job).limit(1)).first() is not None:
        return
    session.add(
        ScheduledJob(
            job=job,
            due_at=due_at,
            status="skipped",
            token=0,
            late=False,
            host=holder.host,
            pid=holder.pid,
            claimed_at=at,
            finished_at=at,
            outcome=BEFORE_THE_SCHEDULE,
        )
    )


def is_settled(session: Session, job: str, *, due_at: datetime, holder: Holder, at: datetime) -> bool:
    """Say whether there is nothing to take: a job is done, or somebody who lives has it.

    Parameters
    ----------
    session : Session
        A reader's.
    job : str
        Which job.
    due_at : datetime
        When it was due.
    holder : Holder
        This process.
    at : datetime
        Now.

    Returns
    -------
    bool
        False says that it may be worth the attempt.
    """
    wanted = select(ScheduledJob).where(ScheduledJob.job == job, ScheduledJob.due_at == due_at)
    found = session.exec(wanted).one_or_none()
    return found is not None and not _is_lost(found, holder=holder, at=at)


def claim_job(
    session: Session, job: str, *, due_at: datetime, late: bool, holder: Holder, at: datetime
) -> Claim | None:
    """Take a job that is due, unless somebody has it or has done it.

    Parameters
    ----------
    session : Session
        A writer's; what is claimed is this process's once it is committed.
    job : str
        Which job.
    due_at : datetime
        When it was due.
    late : bool
        Whether that is longer ago than it should be.
    holder : Holder
        This process.
    at : datetime
        Now.

    Returns
    -------
    Claim or None
        None if it is done, or somebody else's. A process given up for lost loses it, and its run is closed.
    """
    _close_overtaken(session, job, before=due_at, holder=holder, at=at)
    found = session.exec(
        select(ScheduledJob).where(ScheduledJob.job == job, ScheduledJob.due_at == due_at).with_for_update()
    ).one_or_none()
    if found is None:
        found = ScheduledJob(
            job=job, due_at=due_at, status="running", token=0, late=late, host="", pid=0, claimed_at=at
        )
    elif not _is_lost(found, holder=holder, at=at) or _was_done(session, found, at=at):
        return None
    else:
        _close_run(session, found, at=at)
    if found.token >= MOST_ATTEMPTS:
        _close(found, "failed", outcome=GIVEN_UP, at=at)
        return None
    found.token, found.host, found.pid = found.token + 1, holder.host, holder.pid
    found.claimed_at, found.lease_ends_at, found.late = at, at + LEASE, found.late or late
    session.add(found)
    session.flush()
    return Claim(id=found.id, job=job, due_at=due_at, token=found.token)


def held(session: Session, claim: Claim) -> ScheduledJob:
    """Make sure that a job is still this process's; what is stored with it is stored in the same transaction.

    Parameters
    ----------
    session : Session
        A writer's.
    claim : Claim
        What this process holds.

    Returns
    -------
    ScheduledJob
        Locked until the transaction ends.

    Raises
    ------
    Conflict
        If another process took it over, or it is closed.
    """
    found = session.exec(select(ScheduledJob).where(ScheduledJob.id == claim.id).with_for_update()).one_or_none()
    if found is None or found.status != "running" or found.token != claim.token:
        raise Conflict(f"{claim.job}, due at {claim.due_at.isoformat()}, was taken over by another process")
    return found


def renew_lease(session: Session, claim: Claim, *, holder: Holder, at: datetime) -> None:
    """Say that the process that holds a job lives, and which one it is.

    Parameters
    ----------
    session : Session
        A writer's.
    claim : Claim
        What this process holds.
    holder : Holder
        This process.
    at : datetime
        Now.

    Raises
    ------
    Conflict
        If another process took it over.
    """  # noqa: DOC502 (comes from held)
    found = held(session, claim)
    found.lease_ends_at, found.host, found.pid = at + LEASE, holder.host, holder.pid


def close_job(session: Session, claim: Claim, *, status: str, outcome: str, at: datetime) -> None:
    """Note how a job ended; one that this process has closed already is told of in other words.

    Parameters
    ----------
    session : Session
        A writer's.
    claim : Claim
        What this process holds.
    status : str
        `finished` or `failed`.
    outcome : str
        In a sentence.
    at : datetime
        Now.

    Raises
    ------
    Conflict
        If another process took it over.
    """  # noqa: DOC502 (comes from held)
    found = session.exec(select(ScheduledJob).where(ScheduledJob.id == claim.id).with_for_update()).one_or_none()
    if found is not None and (found.token, found.status) == (claim.token, "finished"):
        found.outcome = outcome
    else:
        _close(held(session, claim), status, outcome=outcome, at=at)


def release_job(session: Session, claim: Claim, *, at: datetime) -> None:
    """Let go of a job whose process ended before it did, so that it can be taken over at once.

    Parameters
    ----------
    session : Session
        A writer's.
    claim : Claim
        What that process held; nothing happens if it isn't its own any more.
    at : datetime
        Now.
    """
    found = session.exec(select(ScheduledJob).where(ScheduledJob.id == claim.id).with_for_update()).one()
    if found.status == "running" and found.token == claim.token:
        found.lease_ends_at = at


def get_job(session: Session, job_id: int) -> ScheduledJob:
    """Find a job.

    Parameters
    ----------
    session : Session
        A reader's.
    job_id : int
        Which one.

    Returns
    -------
    ScheduledJob
        As it is now.

    Raises
    ------
    NotFound
        If there is none with that id.
    """
    found = session.get(ScheduledJob, job_id)
    if found is None:
        raise NotFound(f"there is no scheduled job {job_id}")
    return found


def list_jobs(session: Session, *, before: int | None, limit: int) -> Sequence[ScheduledJob]:
    """List what was and is done, the newest first.

    Parameters
    ----------
    session : Session
        A reader's.
    before : int or None
        Only those with a smaller id.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of ScheduledJob
        In descending order of id.
    """
    wanted = select(ScheduledJob).order_by(col(ScheduledJob.id).desc()).limit(limit)
    return session.exec(wanted if before is None else wanted.where(col(ScheduledJob.id) < before)).all()


def _is_lost(job: ScheduledJob, *, holder: Holder, at: datetime) -> bool:
    if job.status != "running" or job.lease_ends_at is None:
        return False
    return job.lease_ends_at <= at or (job.host == holder.host and not holder.is_alive(job.pid))


def _close_overtaken(session: Session, job: str, *, before: datetime, holder: Holder, at: datetime) -> None:
    running = select(ScheduledJob).where(
        ScheduledJob.job == job, ScheduledJob.status == "running", col(ScheduledJob.due_at) < before
    )
    for one in session.exec(running.with_for_update()).all():
        if _is_lost(one, holder=holder, at=at) and not _was_done(session, one, at=at):
            _close_run(session, one, at=at)
            _close(one, "failed", outcome=OVERTAKEN, at=at)


def _was_done(session: Session, job: ScheduledJob, *, at: datetime) -> bool:
    """Close a job whose process ended between finishing its run and saying so: nothing is done twice."""
    if job.run_id is None or get_run(session, job.run_id).status != "finished":
        return False
    _close(job, "finished", outcome=FINISHED_UNSAID, at=at)
    return True


def _close_run(session: Session, job: ScheduledJob, *, at: datetime) -> None:
    if job.run_id is not None:
        runs.fail_run(session, job.run_id, finished_at=at, error=TAKEN_OVER)


def _close(job: ScheduledJob, status: str, *, outcome: str, at: datetime) -> None:
    job.status, job.outcome, job.finished_at, job.lease_ends_at = status, outcome, at, None
