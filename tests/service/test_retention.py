"""What of old runs is dropped: distributions, of runs that nothing kept points to; never a summary."""

from collections.abc import Callable
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import Column, ForeignKey, Integer, MetaData, Table
from sqlmodel import SQLModel, select

from models.engine import Engines
from models.queries import retention
from models.queries.audit import list_entries
from models.queries.backtests import store_backtest
from models.runs import RunDemand
from service.db import read_session, write_session
from service.use_cases.drop_old_results import drop_old_results
from tests.database_dump import dump
from tests.service.conftest import AS_OF, NOON

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]


def whole(engines: Engines) -> set[int]:
    """Name the runs that have distributions."""
    with read_session(engines) as session:
        return {row.run_id for row in session.exec(select(RunDemand)).all() if row.probabilities}


def distributions(engines: Engines, run_id: int) -> int:
    """Count those of a run."""
    with read_session(engines) as session:
        rows = session.exec(select(RunDemand).where(RunDemand.run_id == run_id)).all()
    return sum(row.probabilities is not None for row in rows)


def test_old_distributions_are_dropped_and_nothing_else(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    first, second, third = (finish_run(engines) for _ in range(3))
    there = distributions(engines, first)
    before, answers = dump(engines), client.get(f"/v1/demand?run={first}&format=csv").text
    with write_session(engines) as session:
        dropped = retention.drop_old_distributions(session, runs_kept=2)
    after = dump(engines)
    assert (whole(engines), dropped) == ({second, third}, there)
    assert there > 0
    assert {name for name in before if after[name] != before[name]} <= {"run_demand", "database_facts"}
    place = list(RunDemand.__table__.columns.keys()).index("probabilities")  # type: ignore[attr-defined]
    without = [[row[:place] + row[place + 1 :] for row in rows["run_demand"]] for rows in (before, after)]
    assert sorted(without[0]) == sorted(without[1])
    assert client.get(f"/v1/demand?run={first}&format=csv").text == answers
    listed = client.get(f"/v1/demand?run={first}&distribution=true").json()["value"]
    assert {row["probabilities"] for row in listed} == {None}


def test_a_run_that_something_kept_points_to_stays_whole(
    engines: Engines, finish_run: FinishRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an acceptance or a signature does; here a back-test stands for it."""
    first, second = finish_run(engines), finish_run(engines)
    keeping = SQLModel.metadata.tables["backtests"].c.run_id
    monkeypatch.setattr(retention, "keepers", lambda _: [keeping])
    with write_session(engines) as session:
        store_backtest(
            session,
            first,
            as_of=AS_OF,
            computed_at=NOON,
            code_version="0",
            horizon_days=1,
            summary="",
            details={},
            scores=[],
        )
    with write_session(engines) as session:
        retention.drop_old_distributions(session, runs_kept=1)
    assert whole(engines) == {first, second}


def test_whatever_refers_to_a_run_keeps_it() -> None:
    """Of tables that nobody has to list: all but the results themselves, back-tests and scheduled jobs."""
    metadata = MetaData()
    Table("runs", metadata, Column("id", Integer, primary_key=True))
    for name in ("run_demand", "backtests", "scheduled_jobs", "acceptances", "signatures"):
        Table(name, metadata, Column("run", Integer, ForeignKey("runs.id")), Column("else", Integer))
    assert [str(column) for column in retention.keepers(metadata)] == ["acceptances.run", "signatures.run"]


def test_the_daily_job_keeps_thirty_runs(sqlite_engines: Engines, finish_run: FinishRun) -> None:
    numbers = [finish_run(sqlite_engines) for _ in range(retention.RUNS_KEPT_WHOLE + 1)]
    there = distributions(sqlite_engines, numbers[0])
    assert drop_old_results(sqlite_engines) == there > 0
    assert whole(sqlite_engines) == set(numbers[1:])
    assert drop_old_results(sqlite_engines) == 0
    with read_session(sqlite_engines) as session:
        assert [entry.action for entry in list_entries(session, before=None, limit=9)] == ["drop old distributions"]
