"""Schedulers on one database: what is due is done once, by whoever takes it; what a dead process left is taken over."""

import gc
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path
from threading import Barrier
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from models.base import Conflict
from models.engine import Engines, open_engines
from models.queries import run_log, scheduling
from models.queries.run_progress import LEASE
from models.queries.scheduling import MOST_ATTEMPTS, Claim, Holder
from service import scheduled_work
from service.db import read_session, write_session
from service.schedule import EXPIRY_CHECK, JOBS, NIGHTLY_RUN, Schedule, last_due
from service.scheduler import look, look_at_all
from service.scheduler_commands import listen_for_the_end
from service.use_cases import claim_jobs, do_scheduled_job
from service.use_cases.import_files import import_files
from service.use_cases.request_run import close_abandoned
from tests.service.test_runs import import_two_files

SITE = Schedule(zone=ZoneInfo("Europe/Berlin"))
MORNING = datetime(2026, 3, 30, 3, 5, tzinfo=UTC)  # 05:05 at the site, the day after clocks were put forward
TIMES, PATIENCE = 100, 60.0


def holder(pid: int, *, alive: bool = True) -> Holder:
    return Holder(host="here", pid=pid, is_alive=lambda _: alive)


def claimed(engines: Engines, job: str = NIGHTLY_RUN, *, at: datetime = MORNING, by: Holder | None = None) -> Claim:
    claim = claim_jobs.claim_due(engines, job, SITE, holder=by or holder(1), at=at)
    assert claim is not None
    return claim


def jobs_of(engines: Engines) -> list[tuple[Any, ...]]:
    return [(row.job, row.status, row.late, row.token) for row in claim_jobs.list_jobs(engines).rows()]


def test_two_schedulers_started_together_do_each_job_once(
    database_url: str, record_property: Callable[[str, object], None]
) -> None:
    """A hundred days, each met by two at the same moment, with connections of their own."""
    first, second = open_engines(database_url), open_engines(database_url)
    done: list[tuple[int, Claim]] = []
    barrier = Barrier(2)
    days = [MORNING + timedelta(days=number) for number in range(TIMES)]

    def schedule(number: int, engines: Engines) -> None:
        for day in days:
            barrier.wait()
            claim = claim_jobs.claim_due(engines, NIGHTLY_RUN, SITE, holder=holder(number), at=day)
            if claim is not None:
                done.append((number, claim))
                claim_jobs.close(engines, claim, status="finished", outcome="done")

    with ThreadPoolExecutor(2) as pool:
        for running in [pool.submit(schedule, 1, first), pool.submit(schedule, 2, second)]:
            running.result()
    assert sorted(claim.due_at for _, claim in done) == [last_due(NIGHTLY_RUN, SITE, at=day) for day in days]
    assert {claim.token for _, claim in done} == {1}
    assert jobs_of(first) == [(NIGHTLY_RUN, "finished", False, 1)] * TIMES
    record_property("days taken by each", [sum(number == one for number, _ in done) for one in (1, 2)])
    first.reader.dispose()
    second.reader.dispose()


def test_nothing_was_missed_before_a_scheduler_was_first_started(engines: Engines) -> None:
    for _ in range(2):
        claim_jobs.begin_schedule(engines, SITE, holder=holder(1), at=MORNING)
    assert jobs_of(engines) == [(job, "skipped", False, 0) for job in reversed(JOBS)]
    assert [claim_jobs.claim_due(engines, job, SITE, holder=holder(1), at=MORNING) for job in JOBS] == [None] * 4


def test_what_was_missed_for_days_is_caught_up_once_and_said_to_be_late(sqlite_engines: Engines) -> None:
    claim_jobs.begin_schedule(sqlite_engines, SITE, holder=holder(1), at=MORNING)
    back = MORNING + timedelta(days=9, hours=4)
    taken = claimed(sqlite_engines, at=back)
    assert taken.due_at == last_due(NIGHTLY_RUN, SITE, at=back)
    claim_jobs.close(sqlite_engines, taken, status="finished", outcome="done")
    assert claim_jobs.claim_due(sqlite_engines, NIGHTLY_RUN, SITE, holder=holder(2), at=back) is None
    assert jobs_of(sqlite_engines)[0] == (NIGHTLY_RUN, "finished", True, 1)


def test_a_dead_process_loses_its_job_and_what_it_still_stores_is_refused(engines: Engines, tmp_path: Path) -> None:
    import_two_files(engines, tmp_path)
    lost = claimed(engines, by=holder(1))
    run_id = do_scheduled_job._queue(engines, lost, as_of=date(2026, 3, 29))
    assert claim_jobs.claim_due(engines, NIGHTLY_RUN, SITE, holder=holder(2), at=MORNING) is None
    taken = claimed(engines, by=holder(2, alive=False))
    assert taken == replace(lost, token=2)
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
    assert (run.status, run.error) == ("failed", scheduling.TAKEN_OVER)
    for late in (
        lambda: claim_jobs.close(engines, lost, status="finished", outcome="done"),
        lambda: claim_jobs.renew(engines, lost, holder=holder(1)),
        lambda: do_scheduled_job._queue(engines, lost, as_of=date(2026, 3, 29)),
    ):
        with pytest.raises(Conflict, match="was taken over by another process"):
            late()
    assert jobs_of(engines) == [(NIGHTLY_RUN, "running", False, 2)]


def test_a_process_of_another_computer_is_given_up_once_its_lease_ends(sqlite_engines: Engines) -> None:
    elsewhere = Holder(host="elsewhere", pid=1, is_alive=lambda _: False)
    claimed(sqlite_engines, by=elsewhere)
    for seconds, token in ((-1, None), (0, 2)):
        at = MORNING + LEASE + timedelta(seconds=seconds)
        claim = claim_jobs.claim_due(sqlite_engines, NIGHTLY_RUN, SITE, holder=holder(2), at=at)
        assert (claim.token if claim else None) == token


def test_a_job_that_kills_every_process_is_given_up(sqlite_engines: Engines) -> None:
    for number in range(MOST_ATTEMPTS):
        assert claimed(sqlite_engines, by=holder(number, alive=False)).token == number + 1
    last = claim_jobs.claim_due(sqlite_engines, NIGHTLY_RUN, SITE, holder=holder(9, alive=False), at=MORNING)
    assert last is None
    assert jobs_of(sqlite_engines) == [(NIGHTLY_RUN, "failed", False, MOST_ATTEMPTS)]


def test_what_nobody_ended_before_it_was_due_again_has_failed(sqlite_engines: Engines) -> None:
    claimed(sqlite_engines, by=holder(1))
    claimed(sqlite_engines, by=holder(2), at=MORNING + timedelta(days=1))
    assert jobs_of(sqlite_engines) == [(NIGHTLY_RUN, "running", False, 1), (NIGHTLY_RUN, "failed", False, 1)]


def test_what_is_due_is_done_in_the_order_of_the_jobs(sqlite_engines: Engines) -> None:
    """By the clock of this computer: whatever was due last, wherever it stands."""
    done: list[Claim] = []
    for _ in range(2):
        look_at_all(sqlite_engines, SITE, do=done.append)
    assert [claim.job for claim in done] == list(JOBS)


def test_a_database_that_is_gone_is_asked_again_later(tmp_path: Path) -> None:
    gone = open_engines(f"sqlite:///{tmp_path / 'no folder' / 'record.sqlite'}")
    look(gone, NIGHTLY_RUN, SITE, do=lambda _: pytest.fail("nothing can be due"))
    gone.reader.dispose()


def test_the_nightly_run_is_as_of_yesterday_at_the_site(engines: Engines, tmp_path: Path) -> None:
    import_two_files(engines, tmp_path)
    claim = claimed(engines, by=claim_jobs.this_process(os.getpid()))
    assert scheduled_work.work(engines, claim, SITE) == 0
    with read_session(engines) as session:
        run = run_log.latest_finished(session)
        (job,) = scheduling.list_jobs(session, before=None, limit=2)
    assert run is not None
    assert (run.as_of, job.run_id, job.status) == (date(2026, 3, 29), run.id, "finished")
    assert set(run.stage_seconds or {}) == {"reading", "forecasting", "explaining", "storing"}
    assert job.outcome == f"Run {run.id} as of 2026-03-29 finished."


def test_a_job_that_was_taken_over_stores_nothing(sqlite_engines: Engines) -> None:
    lost = claimed(sqlite_engines, by=holder(1))
    claimed(sqlite_engines, by=holder(2, alive=False))
    assert scheduled_work.work(sqlite_engines, lost, SITE) == scheduled_work.LOST
    with read_session(sqlite_engines) as session:
        assert run_log.list_runs(session, before=None, limit=1) == []


def test_a_back_test_without_a_run_says_what_is_missing(sqlite_engines: Engines) -> None:
    claim = claimed(sqlite_engines, "weekly-backtest")
    assert scheduled_work.work(sqlite_engines, claim, SITE) == 0
    (job,) = claim_jobs.list_jobs(sqlite_engines).rows()
    assert (job.status, job.outcome) == ("failed", "not enough data: no run has finished yet; POST /v1/runs")


def test_the_daily_look_at_the_shelves_says_what_expires(sqlite_engines: Engines, sqlite_client: Any) -> None:
    today = datetime.now(tz=UTC).date()  # noqa: TID251 - the route has the clock's
    lots = "storeroom,kit,lot,expires_on,qty\n" + "".join(
        f"MAIN,K,{name},{today + timedelta(days=days)},{qty}\n"
        for name, days, qty in (("far", 400, 1), ("soon", 30, 2), ("gone", -5, 3), ("used", -9, 0))
    )
    lots += "MAIN,K,undated,,4\n"
    import_files(sqlite_engines, {"lots.csv": BytesIO(lots.encode())}, today=today)
    claim = claimed(sqlite_engines, EXPIRY_CHECK, at=datetime.combine(today, datetime.max.time(), tzinfo=SITE.zone))
    assert scheduled_work.work(sqlite_engines, claim, SITE) == 0
    (job,) = sqlite_client.get("/v1/scheduled-jobs").json()["value"]
    assert job["outcome"] == "1 lots with 3 kits have expired, 1 more expire within 90 days."
    listed = sqlite_client.get("/v1/expiring-lots").json()["value"]
    assert [(lot["lot"], lot["days_left"]) for lot in listed] == [("gone", -5), ("soon", 30)]
    assert (
        sqlite_client.get("/v1/expiring-lots?within_days=0&format=csv").text.splitlines()[1].startswith("MAIN,K,gone")
    )


def test_a_run_nobody_has_heard_of_for_too_long_makes_room(engines: Engines) -> None:
    """It may be of a computer that is gone, as a container is after each restart."""
    claim = claimed(engines)
    run_id = do_scheduled_job._queue(engines, claim, as_of=date(2026, 3, 29))
    with write_session(engines) as session:
        run = run_log.get_run(session, run_id)
        run.host, run.lease_ends_at = "elsewhere", MORNING - LEASE
    close_abandoned(engines, is_alive=lambda _: True)
    with read_session(engines) as session:
        assert run_log.get_run(session, run_id).status == "failed"


@pytest.mark.timeout(120)
def test_a_scheduler_catches_up_and_ends_when_told_to(sqlite_url: str, sqlite_engines: Engines) -> None:
    """As a process of its own, on a database whose schedule began long ago."""
    with write_session(sqlite_engines) as session:
        for job in (NIGHTLY_RUN, EXPIRY_CHECK):
            due = datetime(2026, 1, 2, 4, tzinfo=UTC)
            scheduling.begin_schedule(session, job, due_at=due, holder=holder(1), at=due)
    environment = {**os.environ, "VALVE_KITS_DATABASE": sqlite_url, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "service.cli", "scheduler", "--time-zone", "Europe/Berlin"]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + PATIENCE
        done: dict[str, tuple[str, int]] = {}
        while done.keys() != {NIGHTLY_RUN, EXPIRY_CHECK} and time.monotonic() < deadline:
            time.sleep(0.1)
            rows = claim_jobs.list_jobs(sqlite_engines).rows()
            done = {row.job: (row.status, row.token) for row in rows if row.token and row.status != "running"}
    finally:
        process.terminate()
        process.wait(PATIENCE)
    assert done == {NIGHTLY_RUN: ("finished", 1), EXPIRY_CHECK: ("finished", 1)}
    assert process.returncode == 0


@pytest.fixture
def handler_kept() -> Iterator[None]:
    before = signal.getsignal(signal.SIGTERM)
    yield
    signal.signal(signal.SIGTERM, before)


@pytest.mark.usefixtures("handler_kept")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_signal_that_comes_while_python_clears_up_still_ends_the_scheduler() -> None:
    """What a callback of the collector raises is printed and lost; that the signal came isn't."""
    is_told = listen_for_the_end()
    assert not is_told()

    def tell(phase: str, _: object) -> None:
        if phase == "start" and not is_told():
            signal.raise_signal(signal.SIGTERM)

    gc.callbacks.append(tell)
    try:
        gc.collect()
    finally:
        gc.callbacks.remove(tell)
    assert is_told()
    with pytest.raises(SystemExit, match="0"):
        signal.raise_signal(signal.SIGTERM)
