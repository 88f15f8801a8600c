"""A database that can't take a change says why, in a sentence, and loses nothing."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Barrier
from typing import Any

import pytest
from sqlalchemy import event, text

from models.base import Busy, Crossed, Unwritable
from models.engine import Engines, open_engines
from models.queries import records
from models.queries.facts import set_fact
from models.queries.schema import obstacle_to_writing
from service.db import again, lease_session, read_session, write_session
from tests.database_copies import execute
from tests.database_dump import dump
from tests.service.test_db import put


@contextmanager
def limited(url: str, statement: str) -> Iterator[Engines]:
    """Open an SQLite database whose every connection is limited by a pragma."""
    engines = open_engines(url)
    event.listen(engines.reader, "connect", lambda connection, _: connection.execute(statement))
    yield engines
    engines.reader.dispose()


def test_a_full_disk_is_said_and_nothing_is_lost(sqlite_url: str, sqlite_engines: Engines) -> None:
    """As SQLite meets it: it may not take another page."""
    with write_session(sqlite_engines) as session:
        put(session, 1)
        pages = session.execute(text("PRAGMA page_count")).scalar_one()
    before = dump(sqlite_engines)
    rows = [{"storeroom": "S", "kit": f"K{number}", "on_hand": number} for number in range(2000)]
    with (
        limited(sqlite_url, f"PRAGMA max_page_count={pages}") as engines,
        pytest.raises(Unwritable, match="the disk of the database is full; nothing was stored"),
        write_session(engines) as session,
    ):
        records.upsert(session, "stock", rows)
    assert dump(sqlite_engines) == before
    with write_session(sqlite_engines) as session:
        put(session, 2)


def test_a_read_only_file_is_said(sqlite_url: str, sqlite_engines: Engines) -> None:
    path = sqlite_url.removeprefix("sqlite:///")
    engines = open_engines(f"sqlite:///file:{path}?mode=ro&uri=true")
    with pytest.raises(Unwritable, match="the database is read-only"), write_session(engines) as session:
        put(session, 1)
    engines.reader.dispose()
    assert dump(sqlite_engines)["stock"] == []


def test_a_read_only_server_is_said(migrated_database: str) -> None:
    name = migrated_database.rpartition("/")[2]
    execute(migrated_database, f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    try:
        engines = open_engines(migrated_database)
        with pytest.raises(Unwritable, match="the database is read-only"), write_session(engines) as session:
            put(session, 1)
        with read_session(engines) as session:
            assert obstacle_to_writing(session) == "the database is read-only"
        engines.reader.dispose()
    finally:
        execute(
            migrated_database,
            "SET default_transaction_read_only = off",
            f"ALTER DATABASE {name} RESET default_transaction_read_only",
        )


def test_a_server_that_takes_changes_has_no_obstacle(engines: Engines) -> None:
    with read_session(engines) as session:
        assert obstacle_to_writing(session) is None


def test_a_lock_that_is_not_let_go_of_is_said(migrated_database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.queries.revisions.BUSY_TIMEOUT_MS", 50)
    engines = open_engines(migrated_database)
    with write_session(engines), pytest.raises(Busy, match="locked by another writer"), write_session(engines):
        pytest.fail("two write at once")
    engines.reader.dispose()


def test_statements_and_sessions_on_a_server_end(migrated_database: str) -> None:
    engines = open_engines(migrated_database)
    wanted = ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")
    with read_session(engines) as session:
        found = [session.execute(text(f"SHOW {name}")).scalar_one() for name in wanted]
        assert found == ["5min", "10s", "15min"]
    engines.reader.dispose()


def test_changes_that_cross_are_made_again(migrated_database: str) -> None:
    """Two that lock the same two rows in another order: the server ends one of them, which succeeds when repeated."""
    engines = open_engines(migrated_database)
    with write_session(engines) as session:
        for name in ("one", "two"):
            set_fact(session, name, "0")
    barrier, tries = Barrier(2), [0, 0]

    def cross(number: int, names: tuple[str, str]) -> Callable[[], None]:
        def once() -> None:
            tries[number] += 1
            with lease_session(engines) as session:
                for place, name in enumerate(names):
                    session.execute(text("UPDATE database_facts SET value = value || 'x' WHERE name = :n"), {"n": name})
                    if place == 0 and tries[number] == 1:
                        barrier.wait(20)

        return once

    with ThreadPoolExecutor(2) as pool:
        running = [pool.submit(again, cross(0, ("one", "two"))), pool.submit(again, cross(1, ("two", "one")))]
        for done in running:
            done.result()
    assert sorted(tries) == [1, 2]
    assert {row for row in dump(engines)["database_facts"] if row[0] in {"one", "two"}} == {
        ("one", "0xx"),
        ("two", "0xx"),
    }
    with write_session(engines) as session:
        session.execute(text("DELETE FROM database_facts"))
    engines.reader.dispose()


def test_what_crosses_every_time_is_said() -> None:
    asked: list[int] = []

    def never() -> Any:
        asked.append(1)
        raise Crossed("another change got in the way of this one")

    with pytest.raises(Crossed, match="another change got in the way"):
        again(never)
    assert len(asked) == 3
