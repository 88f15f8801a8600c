"""Take what is due, hold it, let go of it: of any number of schedulers one does each job, once."""

from datetime import datetime

from models.engine import Engines
from models.queries import scheduling as queries
from models.queries.scheduling import Claim, Holder
from service.db import again, lease_session, read_session, write_session
from service.listings import Listing, Part, cut
from service.schedule import JOBS, LATE_AFTER, Schedule, last_due
from service.schemas.results import Page, from_row
from service.schemas.scheduling import ScheduledJobOut
from service.settings import host_name, now
from service.use_cases.choose_run import notice
from service.use_cases.request_run import process_is_alive


def this_process(pid: int) -> Holder:
    """Describe a process of this computer as one that holds jobs.

    Parameters
    ----------
    pid : int
        Its id.

    Returns
    -------
    Holder
        For the queries.
    """
    return Holder(host=host_name(), pid=pid, is_alive=process_is_alive)


def begin_schedule(engines: Engines, schedule: Schedule, *, holder: Holder, at: datetime) -> None:
    """Note from when on jobs are due, unless a scheduler did so before.

    Parameters
    ----------
    engines : Engines
        The database.
    schedule : Schedule
        Of the site.
    holder : Holder
        This process.
    at : datetime
        Now.
    """
    with write_session(engines) as session:
        for job in JOBS:
            queries.begin_schedule(session, job, due_at=last_due(job, schedule, at=at), holder=holder, at=at)


def claim_due(engines: Engines, job: str, schedule: Schedule, *, holder: Holder, at: datetime) -> Claim | None:
    """Take a job if it was due, and is neither done nor somebody else's.

    Parameters
    ----------
    engines : Engines
        The database.
    job : str
        One of JOBS.
    schedule : Schedule
        Of the site.
    holder : Holder
        This process.
    at : datetime
        Now.

    Returns
    -------
    Claim or None
        None if there is nothing to do. What was missed for longer counts once, as late.
    """
    due_at = last_due(job, schedule, at=at)
    with read_session(engines) as session:
        # once a minute, every day: without waiting for who writes
        if queries.is_settled(session, job, due_at=due_at, holder=holder, at=at):
            return None
    with write_session(engines) as session:
        return queries.claim_job(session, job, due_at=due_at, late=at - due_at > LATE_AFTER, holder=holder, at=at)


def renew(engines: Engines, claim: Claim, *, holder: Holder) -> None:
    """Say that the process that holds a job lives.

    Parameters
    ----------
    engines : Engines
        The database.
    claim : Claim
        What it holds.
    holder : Holder
        This process.

    Raises
    ------
    Conflict
        If another one took it over.
    Busy
        If the database is.
    """  # noqa: DOC502 (both come from the session)

    def once() -> None:
        with lease_session(engines) as session:
            queries.renew_lease(session, claim, holder=holder, at=now())

    again(once)


def close(engines: Engines, claim: Claim, *, status: str, outcome: str) -> None:
    """Note how a job ended.

    Parameters
    ----------
    engines : Engines
        The database.
    claim : Claim
        What this process holds.
    status : str
        `finished` or `failed`.
    outcome : str
        In a sentence.

    Raises
    ------
    Conflict
        If another one took it over.
    """  # noqa: DOC502 (comes from the query)
    with write_session(engines) as session:
        queries.close_job(session, claim, status=status, outcome=outcome, at=now())


def release(engines: Engines, claim: Claim) -> None:
    """Let go of a job whose process ended before it did.

    Parameters
    ----------
    engines : Engines
        The database.
    claim : Claim
        What that process held.
    """

    def once() -> None:
        with lease_session(engines) as session:
            queries.release_job(session, claim, at=now())

    again(once)


def read_claim(engines: Engines, job_id: int, *, token: int) -> Claim:
    """Find what was claimed for this process.

    Parameters
    ----------
    engines : Engines
        The database.
    job_id : int
        Of the claim.
    token : int
        Of the claim.

    Returns
    -------
    Claim
        As it was made; whether it still holds is seen when something is stored.
    """
    with read_session(engines) as session:
        job = queries.get_job(session, job_id)
    return Claim(id=job.id, job=job.job, due_at=job.due_at, token=token)


def list_jobs(engines: Engines) -> Listing[ScheduledJobOut]:
    """List what was and is done, the newest first.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    Listing
        One row for each time a job was due.
    """

    def read(before: int, limit: int) -> Part[ScheduledJobOut]:
        with read_session(engines) as session:
            stored = queries.list_jobs(session, before=before or None, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda job: from_row(ScheduledJobOut, job))

    with read_session(engines) as session:
        return Listing(shape=ScheduledJobOut, read=read, top=Page[ScheduledJobOut](value=(), notice=notice(session)))
