"""Sessions: what is written together is stored together, and nothing read and then written is lost."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy.exc import DBAPIError

from models import engine
from models.base import Busy, Conflict
from models.engine import Engines
from models.queries import records
from service.db import read_session, trial_session, write_session
from tests.database_dump import dump

THREADS, TURNS = 8, 25


def on_hand(engines: Engines) -> int:
    with read_session(engines) as session:
        (row,) = records.read_all(session, "stock")
    return int(row["on_hand"])


def put(session: Any, count: int) -> None:
    records.upsert(session, "stock", [{"storeroom": "S", "kit": "K", "on_hand": count}])


def test_threads_that_read_and_then_write_lose_nothing(sqlite_engines: Engines) -> None:
    """Eight clerks take kits from one shelf at once; every one of them is counted."""
    with write_session(sqlite_engines) as session:
        put(session, 0)

    def add_one(_: int) -> None:
        with write_session(sqlite_engines) as session:
            (row,) = records.read_all(session, "stock")
            put(session, row["on_hand"] + 1)

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(add_one, range(THREADS * TURNS)))
    assert on_hand(sqlite_engines) == THREADS * TURNS


def test_readers_are_not_kept_waiting_by_a_writer(sqlite_engines: Engines) -> None:
    with write_session(sqlite_engines) as session:
        put(session, 1)
    with write_session(sqlite_engines) as session:
        put(session, 2)
        assert on_hand(sqlite_engines) == 1
    assert on_hand(sqlite_engines) == 2


def test_an_error_inside_takes_everything_back(engines: Engines) -> None:
    before = dump(engines)

    def fail_half_way() -> None:
        with write_session(engines) as session:
            put(session, 1)
            put(session, 1 // 0)

    with pytest.raises(ZeroDivisionError, match="by zero"):
        fail_half_way()
    assert dump(engines) == before


def test_a_trial_sees_its_changes_and_leaves_none(engines: Engines) -> None:
    before = dump(engines)
    with trial_session(engines) as session:
        put(session, 1)
        assert len(list(records.read_all(session, "stock"))) == 1
    assert dump(engines) == before


def test_a_read_session_refuses_to_write(engines: Engines) -> None:
    with pytest.raises(DBAPIError, match=r"read-?only"), read_session(engines) as session:
        put(session, 1)


def test_a_row_that_the_database_refuses_is_a_conflict(engines: Engines) -> None:
    with write_session(engines) as session:
        records.upsert(session, "valves", [{"tag": "V"}])
    future = {"tag": "V", "found_on": "2024-01-02", "done_on": "2024-01-01", "action": "rebuild"}
    with pytest.raises(Conflict, match="ck_events_found_before_done"), write_session(engines) as session:
        records.upsert(session, "events", [future])


def test_a_writer_that_waits_too_long_is_told_that_the_database_is_busy(
    sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "PRAGMAS", ("busy_timeout=20", *engine.PRAGMAS[1:]))
    impatient = engine.open_engines(sqlite_url)
    with write_session(impatient) as session:
        put(session, 1)
        with pytest.raises(Busy, match="locked by another writer"), write_session(impatient) as late:
            put(late, 2)
    assert on_hand(impatient) == 1
    impatient.reader.dispose()
