"""Do one scheduled job, in a process of its own: `python -m service.scheduled_work ID TOKEN ZONE HH:MM`."""

import os
import signal
import sys
import time
from contextlib import suppress

import structlog
from structlog.contextvars import bound_contextvars

from forecasting.errors import ForecastingError
from models.base import Busy, Conflict, StorageError
from models.engine import Engines
from models.queries.audit import Actor
from models.queries.scheduling import Claim
from service.actors import acting
from service.databases import opened
from service.heartbeats import beating
from service.logs import configure_logs
from service.schedule import Schedule, schedule_of
from service.settings import DATABASE_VARIABLE
from service.use_cases import claim_jobs
from service.use_cases.do_scheduled_job import do_scheduled_job

LOST = 3
BUSY_SECONDS, BUSY_ATTEMPTS = 5.0, 120  # an import of a million events holds the database for minutes

log = structlog.get_logger()


def work(engines: Engines, claim: Claim, schedule: Schedule) -> int:
    """Do a job and note how it ended.

    Parameters
    ----------
    engines : Engines
        The database.
    claim : Claim
        The job, held by whoever started this process.
    schedule : Schedule
        Of the site.

    Returns
    -------
    int
        0; LOST if another process has taken the job over.
    """
    holder = claim_jobs.this_process(os.getpid())
    with bound_contextvars(job=claim.job, token=claim.token):
        try:
            with beating(lambda: claim_jobs.renew(engines, claim, holder=holder)):
                status, outcome = _done(engines, claim, schedule)
            log.info("scheduled job", status=status, outcome=outcome)
            _close(engines, claim, status=status, outcome=outcome)
        except Conflict as lost:
            log.warning("scheduled job lost", reason=str(lost))
            return LOST
    return 0


def _done(engines: Engines, claim: Claim, schedule: Schedule) -> tuple[str, str]:
    try:
        return "finished", do_scheduled_job(engines, claim, schedule)
    except (ForecastingError, StorageError, RuntimeError) as error:
        return "failed", str(error)
    except Exception:
        log.exception("the scheduled job failed")
        return "failed", "The job stopped on a fault of its own; the log of the process says which."


def _close(engines: Engines, claim: Claim, *, status: str, outcome: str) -> None:
    for _ in range(BUSY_ATTEMPTS):
        with suppress(Busy):
            claim_jobs.close(engines, claim, status=status, outcome=outcome)
            return
        time.sleep(BUSY_SECONDS)
    claim_jobs.close(engines, claim, status=status, outcome=outcome)


def main() -> None:
    """Do the job named by the arguments."""
    configure_logs()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    number, token, zone, begins_at = sys.argv[1:]
    acting.set(Actor(holder="scheduler", role="service"))
    with opened(os.environ[DATABASE_VARIABLE]) as engines:
        claim = claim_jobs.read_claim(engines, int(number), token=int(token))
        sys.exit(work(engines, claim, schedule_of(zone=zone, begins_at=begins_at)))


if __name__ == "__main__":
    main()
