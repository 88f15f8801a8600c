"""The life of a run in the database, and what the database itself refuses."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import partial

import pytest
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError

from models.base import Conflict, NotFound, Session
from models.engine import Engines
from models.queries import results, run_log, runs
from models.runs import Run
from service.db import read_session, write_session

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
NEED = {
    "storeroom": "MAIN",
    "kit": "K-1",
    "tag": "FV-1",
    "maintainable_item": "trim",
    "service_class": "wet CO2",
    "policy": "corrective",
}


def queue(session: Session) -> Run:
    return runs.create_run(session, as_of=date(2026, 3, 1), requested_at=NOON, code_version="0.1.0", pid=1)


def queued(engines: Engines) -> int:
    with write_session(engines) as session:
        return queue(session).id


def running(engines: Engines) -> int:
    run_id = queued(engines)
    with write_session(engines) as session:
        runs.claim_run(session, run_id, started_at=NOON, pid=2)
    return run_id


def finish(session: Session, run_id: int) -> Run:
    return runs.finish_run(
        session,
        run_id,
        finished_at=NOON,
        input_digest="0" * 64,
        horizon_ends_on=date(2028, 3, 1),
        method="plug-in",
        counts={"valves": 1},
    )


def store_and_finish(engines: Engines, run_id: int) -> None:
    with write_session(engines) as session:
        runs.store_results(session, run_id, {"needs": [NEED]})
        finish(session, run_id)


def status(engines: Engines, run_id: int) -> tuple[str, int | None]:
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
        return run.status, run.open_slot


def test_a_run_is_queued_then_running_then_finished(engines: Engines) -> None:
    run_id = queued(engines)
    assert status(engines, run_id) == ("queued", 1)
    with write_session(engines) as session:
        runs.claim_run(session, run_id, started_at=NOON, pid=2)
    assert status(engines, run_id) == ("running", 1)
    with write_session(engines) as session:
        finish(session, run_id)
    assert status(engines, run_id) == ("finished", None)
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
        latest = run_log.latest_finished(session)
    assert latest is not None
    assert latest.id == run_id
    assert (run.pid, run.started_at, run.finished_at, run.counts) == (2, NOON, NOON, {"valves": 1})


def test_a_second_open_run_is_refused(engines: Engines) -> None:
    queued(engines)
    with pytest.raises(Conflict, match="another run is queued or running"), write_session(engines) as session:
        queue(session)


def test_a_run_is_claimed_once(engines: Engines) -> None:
    run_id = running(engines)
    with pytest.raises(Conflict, match=f"run {run_id} is running, not queued"), write_session(engines) as session:
        runs.claim_run(session, run_id, started_at=NOON, pid=3)


def test_a_run_cancelled_while_it_computes_stores_nothing(engines: Engines) -> None:
    run_id = running(engines)
    with write_session(engines) as session:
        runs.cancel_run(session, run_id, finished_at=NOON)
    with pytest.raises(Conflict, match=f"run {run_id} is cancelled, not running"):
        store_and_finish(engines, run_id)
    with read_session(engines) as session:
        assert results.needs_of_kit(session, run_id, storeroom="MAIN", kit="K-1") == []


def test_a_failed_run_says_why_and_a_closed_one_stays_as_it_is(engines: Engines) -> None:
    run_id = running(engines)
    for error in ("no disk", "too late"):
        with write_session(engines) as session:
            runs.fail_run(session, run_id, finished_at=NOON, error=error)
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
    assert (run.status, run.error) == ("failed", "no disk")


@pytest.mark.parametrize(
    "change",
    [
        partial(runs.cancel_run, finished_at=NOON),
        partial(runs.claim_run, started_at=NOON, pid=1),
        partial(runs.fail_run, finished_at=NOON, error=""),
    ],
)
def test_what_is_not_there_is_not_found(sqlite_engines: Engines, change: Callable[[Session, int], Run]) -> None:
    with pytest.raises(NotFound, match="there is no run 9"), write_session(sqlite_engines) as session:
        change(session, 9)


def test_a_column_a_table_lacks_is_an_error(sqlite_engines: Engines) -> None:
    run_id = running(sqlite_engines)
    with pytest.raises(ValueError, match="needs has no column tga"), write_session(sqlite_engines) as session:
        runs.store_results(session, run_id, {"needs": [{**NEED, "tga": "FV-1"}]})


def test_rows_may_leave_out_what_may_be_null(engines: Engines) -> None:
    run_id = running(engines)
    with write_session(engines) as session:
        runs.store_results(session, run_id, {"needs": [{**NEED, "p_90": 0.5}, NEED], "findings": []})
    with read_session(engines) as session:
        needs = results.needs_of_valve(session, run_id, tag="fv-1", after=0, limit=9)
    assert [(need.p_90, need.details) for need in needs] == [(0.5, {}), (None, {})]


@pytest.mark.parametrize(
    "values",
    [
        {"status": "half done"},
        {"status": "finished", "open_slot": None},
        {"status": "failed"},
        {"open_slot": None},
        {"open_slot": 2},
    ],
)
def test_the_database_refuses_a_run_that_cannot_be(engines: Engines, values: dict[str, object]) -> None:
    run = {"as_of": date(2026, 3, 1), "requested_at": NOON, "code_version": "0.1.0", "counts": {}, "status": "queued"}
    with engines.writer.begin() as connection, pytest.raises(IntegrityError, match="ck_runs_"):
        connection.execute(insert(Run), {**run, "open_slot": 1, **values})
