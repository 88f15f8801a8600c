"""The scheduler: looks what is due, takes it, and has it done by a process of its own. Any number may run."""

import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import structlog
from apscheduler.executors.pool import ThreadPoolExecutor  # type: ignore[import-untyped]
from apscheduler.schedulers.blocking import BlockingScheduler  # type: ignore[import-untyped]
from apscheduler.triggers.interval import IntervalTrigger  # type: ignore[import-untyped]
from sqlalchemy.exc import OperationalError

from models.base import Busy
from models.engine import Engines
from models.queries.scheduling import Claim
from service.schedule import JOBS, Schedule
from service.settings import DATABASE_VARIABLE, now
from service.use_cases import claim_jobs

LOOK_SECONDS = 60
WATCH_SECONDS = 5
GRACE_SECONDS = 6 * 3600
STOP_SECONDS = 10.0

log = structlog.get_logger()


class JobProcesses:
    """Starts the process that does a job, and lets go of the job if the process ends before it.

    Parameters
    ----------
    engines : Engines
        The database.
    database_url : str
        The same, for the processes.
    schedule : Schedule
        Of the site.
    """

    def __init__(self, engines: Engines, database_url: str, schedule: Schedule) -> None:
        self._engines = engines
        # the database's address may hold a password, so it travels in the environment: arguments are public
        self._environment = {**os.environ, DATABASE_VARIABLE: database_url}
        self._when = (schedule.zone.key, f"{schedule.hour:02}:{schedule.minute:02}")
        self._running: set[subprocess.Popen[bytes]] = set()

    def do(self, claim: Claim) -> None:
        """Do a job, and wait until it is done.

        Parameters
        ----------
        claim : Claim
            Held by this process.
        """
        process = subprocess.Popen(
            [sys.executable, "-m", "service.scheduled_work", str(claim.id), str(claim.token), *self._when],
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
        self._running.add(process)
        try:
            process.wait()
        finally:
            self._running.discard(process)
            with suppress(Busy, OperationalError):
                claim_jobs.release(self._engines, claim)

    def close(self) -> None:
        """End every process; its job can be taken over at once."""
        for process in list(self._running):
            process.terminate()
        for process in list(self._running):
            try:
                process.wait(STOP_SECONDS)
            except subprocess.TimeoutExpired:
                process.kill()


def look(engines: Engines, job: str, schedule: Schedule, *, do: Callable[[Claim], None]) -> None:
    """Do a job if it is due and nobody else does it; a database that can't be reached is asked again later.

    Parameters
    ----------
    engines : Engines
        The database.
    job : str
        One of JOBS.
    schedule : Schedule
        Of the site.
    do : callable
        Does what was claimed. A process that dies over it leaves the job to the next look.
    """
    try:
        claim = claim_jobs.claim_due(engines, job, schedule, holder=claim_jobs.this_process(os.getpid()), at=now())
    except (Busy, OperationalError) as error:
        log.warning("the scheduler can't look what is due", job=job, reason=str(error))
        return
    if claim is not None:
        log.info("claimed", job=job, due_at=claim.due_at.isoformat(), token=claim.token)
        do(claim)


def look_at_all(engines: Engines, schedule: Schedule, *, do: Callable[[Claim], None]) -> None:
    """Look at every job: what was missed while nothing ran, and what a dead process left.

    Parameters
    ----------
    engines : Engines
        The database.
    schedule : Schedule
        Of the site.
    do : callable
        As for `look`.
    """
    for job in JOBS:
        look(engines, job, schedule, do=do)


def run_scheduler(engines: Engines, database_url: str, schedule: Schedule, *, is_over: Callable[[], bool]) -> None:
    """Look what is due, until told to stop.

    Parameters
    ----------
    engines : Engines
        The database.
    database_url : str
        The same, for the processes that do the work.
    schedule : Schedule
        Of the site.
    is_over : callable
        Asked every few seconds; True ends it, as a signal does.
    """
    processes = JobProcesses(engines, database_url, schedule)
    scheduler = BlockingScheduler(
        timezone=schedule.zone,
        # one after the other, in the order of JOBS: a back-test beside a run would take twice the memory
        executors={"default": ThreadPoolExecutor(1), "watch": ThreadPoolExecutor(1)},
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_SECONDS},
    )
    for job, trigger in JOBS.items():
        scheduler.add_job(look, trigger(schedule), id=job, args=(engines, job, schedule), kwargs={"do": processes.do})
    scheduler.add_job(
        look_at_all,
        IntervalTrigger(seconds=LOOK_SECONDS),
        id="look",
        args=(engines, schedule),
        kwargs={"do": processes.do},
        next_run_time=now(),
    )
    stop = partial(_stop_if, is_over, scheduler, processes)
    scheduler.add_job(stop, IntervalTrigger(seconds=WATCH_SECONDS), id="watch", executor="watch")
    claim_jobs.begin_schedule(engines, schedule, holder=claim_jobs.this_process(os.getpid()), at=now())
    try:
        scheduler.start()
    finally:
        processes.close()


def _stop_if(is_over: Callable[[], bool], scheduler: BlockingScheduler, processes: JobProcesses) -> None:
    if is_over():
        log.warning("the scheduler ends")
        processes.close()
        scheduler.shutdown(wait=False)
