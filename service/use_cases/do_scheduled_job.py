"""What each scheduled job does, in the process that holds it."""

import os
import time
from collections.abc import Callable
from datetime import date

from models.base import Session
from models.engine import Engines
from models.queries import audit, runs, scheduling
from models.queries.scheduling import Claim
from service.db import write_session
from service.schedule import BACKTEST, EXPIRY_CHECK, NIGHTLY_RUN, RETENTION, Schedule, yesterday
from service.settings import code_version, host_name, now
from service.use_cases.check_expiry import SOON_DAYS, expiry_in_words, list_expiring_lots
from service.use_cases.compute_run import compute_run
from service.use_cases.drop_old_results import drop_old_results
from service.use_cases.request_run import close_abandoned, process_is_alive

WAIT_SECONDS, ATTEMPTS = 15.0, 240  # an hour for a run that somebody asked for to end


def do_scheduled_job(engines: Engines, claim: Claim, schedule: Schedule) -> str:
    """Do what is due.

    Parameters
    ----------
    engines : Engines
        The database.
    claim : Claim
        What this process holds; nothing is stored once another one has taken it over.
    schedule : Schedule
        Of the site.

    Returns
    -------
    str
        What came of it, in a sentence.
    """
    return WORK[claim.job](engines, claim, schedule)


def _run(engines: Engines, claim: Claim, schedule: Schedule) -> str:
    run = compute_run(engines, _queued(engines, claim, as_of=yesterday(claim.due_at, schedule)))
    if run.status != "finished":
        raise RuntimeError(f"Run {run.id} {run.status}: {run.error}")
    return f"Run {run.id} as of {run.as_of} finished."


def _queued(engines: Engines, claim: Claim, *, as_of: date) -> int:
    for _ in range(ATTEMPTS):
        close_abandoned(engines, is_alive=process_is_alive)
        try:
            return _queue(engines, claim, as_of=as_of)
        except runs.AnotherRunIsOpen:
            time.sleep(WAIT_SECONDS)
    return _queue(engines, claim, as_of=as_of)


def _queue(engines: Engines, claim: Claim, *, as_of: date) -> int:
    with write_session(engines) as session:
        # in one transaction: whoever takes the job over knows which run to close
        job = scheduling.held(session, claim)
        run = runs.create_run(
            session,
            as_of=as_of,
            requested_at=now(),
            code_version=code_version(),
            pid=os.getpid(),
            host=host_name(),
        )
        job.run_id = run.id
        audit.note(session, "request run", {"run": run.id, "as_of": as_of})
        return run.id


def _backtest(engines: Engines, claim: Claim, schedule: Schedule) -> str:
    # loaded here, in the process that computes
    from service.use_cases.run_backtest import run_backtest

    def close(session: Session) -> None:
        # with the scores, so that nobody stores them again
        scheduling.close_job(session, claim, status="finished", outcome="Scores were stored.", at=now())

    return run_backtest(engines, as_of=None, guard=close)


def _check_expiry(engines: Engines, claim: Claim, schedule: Schedule) -> str:
    on = claim.due_at.astimezone(schedule.zone).date()
    return expiry_in_words(list(list_expiring_lots(engines, on=on, within_days=SOON_DAYS).rows()))


def _retain(engines: Engines, claim: Claim, schedule: Schedule) -> str:
    return f"{drop_old_results(engines)} distributions of old runs were dropped."


WORK: dict[str, Callable[[Engines, Claim, Schedule], str]] = {
    NIGHTLY_RUN: _run,
    EXPIRY_CHECK: _check_expiry,
    RETENTION: _retain,
    BACKTEST: _backtest,
}
