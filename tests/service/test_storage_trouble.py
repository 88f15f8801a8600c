"""A database in trouble, met over HTTP and by a run: a clear answer, nothing lost, and all is well once it is over."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import text

from models import engine
from models.engine import Engines
from models.queries import run_log
from models.queries.runs import RESULT_TABLES
from service.db import read_session
from service.settings import Settings
from service.use_cases.compute_run import compute_run
from service.use_cases.request_run import process_is_alive, request_run
from tests.database_copies import execute
from tests.database_dump import dump
from tests.service.test_refused_writes import limited
from tests.service.test_run_forecast import FILES, bring_in
from tests.service.test_runs import import_two_files, wait_until_closed

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
PATIENCE = 60.0


def told(answer: Any) -> tuple[int, str, str]:
    """Give what a caller goes by."""
    return answer.status_code, answer.headers.get("retry-after", ""), answer.json()["detail"]


@contextmanager
def locked(url: str, table: str) -> Iterator[None]:
    """Keep everybody else from a table of PostgreSQL."""
    engines = engine.open_engines(url)
    with engines.writer.connect() as connection:
        connection.execute(text(f"LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE"))
        yield
        connection.rollback()
    engines.reader.dispose()


def test_a_statement_that_takes_too_long_is_ended_and_said(
    migrated_database: str, connect: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits = {**engine.LIMITS, "options": "-c statement_timeout=200ms -c lock_timeout=10s"}
    monkeypatch.setattr(engine, "LIMITS", limits)
    try:
        with connect(Settings(database_url=migrated_database, access="open")) as client:
            assert client.post("/v1/storerooms", json={"code": "ONE"}).status_code == 201
            with locked(migrated_database, "storerooms"):
                read, write = client.get("/v1/storerooms"), client.post("/v1/storerooms", json={"code": "TWO"})
            assert told(read) == (503, "5", "The database is busy or can't be reached.")
            assert told(write) == (503, "5", "the database took too long over a statement; nothing was stored")
            assert [row["code"] for row in client.get("/v1/storerooms").json()["value"]] == ["ONE"]
            assert client.post("/v1/storerooms", json={"code": "TWO"}).status_code == 201
            assert len(client.get("/v1/audit").json()["value"]) == 2
    finally:
        execute(migrated_database, "TRUNCATE storerooms, audit_entries, database_facts RESTART IDENTITY CASCADE")


def test_a_full_disk_is_said_over_http_and_the_same_request_succeeds_once_there_is_space(
    sqlite_url: str, sqlite_engines: Engines, connect: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    with connect(Settings(database_url=sqlite_url, access="open")) as client:
        assert client.post("/v1/storerooms", json={"code": "ONE"}).status_code == 201
    before = dump(sqlite_engines)
    file = "code\n" + "".join(f"{'S' * 50}{number}\n" for number in range(2000))
    csv = {"Content-Type": "text/csv"}
    with sqlite_engines.reader.connect() as connection:
        pages = connection.execute(text("PRAGMA page_count")).scalar_one()
    monkeypatch.setattr(engine, "PRAGMAS", (*engine.PRAGMAS, f"max_page_count={pages}"))
    with connect(Settings(database_url=sqlite_url, access="open")) as client:
        refused = client.post("/v1/imports/storerooms", content=file, headers=csv)
        assert told(refused) == (503, "5", "the disk of the database is full; nothing was stored")
        assert client.get("/v1/storerooms").json()["value"][0]["code"] == "ONE"
    assert dump(sqlite_engines) == before
    monkeypatch.undo()
    with connect(Settings(database_url=sqlite_url, access="open")) as client:
        (counted,) = client.post("/v1/imports/storerooms", content=file, headers=csv).json()["files"]
    assert (counted["created"], counted["unchanged"]) == (2000, 0)


def test_a_disk_that_fills_during_a_run_leaves_nothing_of_it_and_the_last_one_as_it_was(
    sqlite_url: str, sqlite_engines: Engines, tmp_path: Path
) -> None:
    import_two_files(sqlite_engines, tmp_path)
    good = compute_run(sqlite_engines, request_run(sqlite_engines, as_of=None))
    doomed = request_run(sqlite_engines, as_of=None)
    before = results(sqlite_engines)
    with sqlite_engines.reader.connect() as connection:
        pages = connection.execute(text("PRAGMA page_count")).scalar_one()
    with limited(sqlite_url, f"PRAGMA max_page_count={pages}") as full:
        found = compute_run(full, doomed)
    assert (found.status, found.error) == ("failed", "the disk of the database is full; nothing was stored")
    assert results(sqlite_engines) == before
    with read_session(sqlite_engines) as session:
        latest = run_log.latest_finished(session)
    assert latest is not None
    assert latest.id == good.id
    assert compute_run(sqlite_engines, request_run(sqlite_engines, as_of=None)).status == "finished"


def test_a_read_only_file_is_read_and_what_would_change_it_is_refused(
    sqlite_url: str, sqlite_engines: Engines, connect: Connect
) -> None:
    path = sqlite_url.removeprefix("sqlite:///")
    with connect(Settings(database_url=sqlite_url, access="open")) as client:
        client.post("/v1/storerooms", json={"code": "ONE"})
    before = dump(sqlite_engines)
    with connect(Settings(database_url=f"sqlite:///file:{path}?mode=ro&uri=true", access="open")) as client:
        assert [row["code"] for row in client.get("/v1/storerooms").json()["value"]] == ["ONE"]
        for way in ("/v1/storerooms", "/v1/runs"):
            answer = client.post(way, json={"code": "TWO"} if way == "/v1/storerooms" else {})
            assert told(answer) == (503, "5", "the database is read-only; nothing was stored")
    assert dump(sqlite_engines) == before


def test_a_cancelled_run_ends_its_process_shows_nothing_and_the_next_one_works(
    sqlite_client: Client, sqlite_engines: Engines
) -> None:
    """Called off while it computes, not before it began."""
    bring_in(sqlite_engines, FILES)
    run_id = sqlite_client.post("/v1/runs").json()["id"]
    until = time.monotonic() + PATIENCE
    while sqlite_client.get(f"/v1/runs/{run_id}").json()["status"] != "running":
        assert time.monotonic() < until
    with read_session(sqlite_engines) as session:
        pid = run_log.get_run(session, run_id).pid
    assert pid not in {None, os.getpid()}
    assert sqlite_client.post(f"/v1/runs/{run_id}/cancel").json()["status"] == "cancelled"
    while process_is_alive(pid or 0):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert sqlite_client.get(f"/v1/runs/{run_id}").json()["status"] == "cancelled"
    assert not any(results(sqlite_engines).values())
    assert sqlite_client.get("/v1/runs/latest").status_code == 409
    again = sqlite_client.post("/v1/runs").json()["id"]
    assert wait_until_closed(sqlite_client, again)["status"] == "finished"
    assert sqlite_client.get("/v1/order-list").json()["run"] == again


def results(engines: Engines) -> dict[str, int]:
    """Count the rows of every table of results."""
    with read_session(engines) as session:
        return {
            name: session.execute(text(f"SELECT count(*) FROM {model.__tablename__}")).scalar_one()
            for name, model in RESULT_TABLES.items()
        }
