"""Two schedulers started together, as processes of their own on one database: one run per time that it is due."""

import os
import sys
import time
from datetime import UTC, datetime, timedelta
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import text

from models.engine import Engines
from models.queries import scheduling
from models.scheduling import ScheduledJob
from service import cli
from service.db import read_session, write_session
from service.schedule import JOBS, NIGHTLY_RUN, Schedule, last_due
from service.settings import DATABASE_VARIABLE
from service.use_cases import claim_jobs
from tests.commands import PROCESSES, forked
from tests.service.test_runs import import_two_files
from tests.service.test_scheduler import holder

ROUNDS = int(os.environ.get("SCHEDULER_ROUNDS", "1"))  # a soak plays a hundred
FIRST_MINUTE, LAST_MINUTE = 4 * 60, 22 * 60 + 59
PATIENCE = 60.0
LONG_AGO = datetime(2026, 1, 2, 4, tzinfo=UTC)


def schedule_together(barrier: Barrier, looks: Any, url: str, zone: str, begins_at: str) -> None:
    """Run the command, but wait for the other process before the first look, and tell what each look took."""
    claim_due = claim_jobs.claim_due

    def together(engines: Engines, job: str, *schedule: Any, **named: Any) -> Any:
        if job == NIGHTLY_RUN:
            barrier.wait(PATIENCE)
        claim = claim_due(engines, job, *schedule, **named)
        looks.put((job, os.getpid(), claim is not None))
        return claim

    claim_jobs.claim_due = together
    sys.argv[1:] = ["--database", url, "scheduler", "--time-zone", zone, "--nightly-at", begins_at]
    os.environ[DATABASE_VARIABLE] = url
    cli.main()


def evening(at: datetime) -> ZoneInfo:
    """Find a zone in which the day is nearly over: of whatever minute of it, it's past."""
    zones = (ZoneInfo(f"Etc/GMT{hours:+}") for hours in range(-14, 13))
    return next(zone for zone in zones if at.astimezone(zone).hour == 23)


def settle_other_jobs(engines: Engines, schedule: Schedule, at: datetime) -> None:
    """Note that they were done: what takes long isn't what is looked at here."""
    noted: dict[str, Any] = {
        "status": "skipped",
        "token": 0,
        "late": False,
        "host": "",
        "pid": 0,
        "claimed_at": at,
        "finished_at": at,
    }
    with write_session(engines) as session:
        for job in JOBS.keys() - {NIGHTLY_RUN}:
            due_at = last_due(job, schedule, at=at)
            if not scheduling.is_settled(session, job, due_at=due_at, holder=holder(1), at=at):
                session.add(ScheduledJob(job=job, due_at=due_at, outcome="", **noted))


def play(engines: Engines, url: str, schedule: Schedule) -> int:
    """Start two schedulers, wait until the run is done and both have looked, end them; tell how many runs they took."""
    at = f"{schedule.hour:02}:{schedule.minute:02}"
    barrier, looks = PROCESSES.Barrier(2), PROCESSES.Queue()
    both = [forked(schedule_together, barrier, looks, url, schedule.zone.key, at) for _ in range(2)]
    try:
        for process in both:
            process.start()
        # the one that takes the run looks at the rest when it is done
        told = [looks.get(timeout=PATIENCE) for _ in range(2 * len(JOBS))]
    finally:
        for process in both:
            process.terminate()
            process.join(PATIENCE)
    assert [process.exitcode for process in both] == [0, 0]
    nightly = [(pid, taken) for job, pid, taken in told if job == NIGHTLY_RUN]
    assert {pid for pid, _ in nightly} == {process.pid for process in both}
    return sum(taken for _, taken in nightly)


@pytest.mark.timeout(120 + 60 * ROUNDS)
def test_two_schedulers_started_together_make_one_run_per_due_time(
    database_url: str, engines: Engines, tmp_path: Path
) -> None:
    """Rounds differ by the minute at which the run is due, later in each."""
    import_two_files(engines, tmp_path)
    with write_session(engines) as session:
        scheduling.begin_schedule(session, NIGHTLY_RUN, due_at=LONG_AGO, holder=holder(1), at=LONG_AGO)
    begun = datetime.now(tz=UTC)  # noqa: TID251 - the commands read the clock
    zone = evening(begun)
    seconds = time.monotonic()
    due = []
    for number in range(ROUNDS):
        minute = FIRST_MINUTE + number % (LAST_MINUTE - FIRST_MINUTE)
        schedule = Schedule(zone=zone, hour=minute // 60, minute=minute % 60)
        settle_other_jobs(engines, schedule, begun)
        due.append(last_due(NIGHTLY_RUN, schedule, at=begun))
        assert play(engines, database_url, schedule) == 1
        assert runs_and_jobs(engines) == ([*range(1, number + 2)], [(day, "finished", 1) for day in due])
    assert due == sorted(set(due))
    assert begun - due[0] < timedelta(days=1)
    print(f"{ROUNDS} due times on {engines.reader.dialect.name}: a run each, {time.monotonic() - seconds:.0f} s")


def runs_and_jobs(engines: Engines) -> tuple[list[int], list[tuple[datetime, str, int]]]:
    """Read which runs finished, all of them made for a due time, and what became of each due time."""
    with read_session(engines) as session:
        finished = session.execute(text("SELECT id FROM runs ORDER BY id")).scalars().all()
        jobs = [row for row in scheduling.list_jobs(session, before=None, limit=10_000) if row.job == NIGHTLY_RUN]
    done = [row for row in reversed(jobs) if row.token]
    assert [row.run_id for row in done] == finished
    return list(finished), [(row.due_at, row.status, row.token) for row in done]
