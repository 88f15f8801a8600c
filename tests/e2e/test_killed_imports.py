"""A server killed in the middle of an import: nothing half there, and the same file sent again comes in whole."""

import os
import signal
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from sqlalchemy import text

from models.engine import Engines, open_engines
from models.queries import records
from models.queries.audit import list_entries
from models.queries.rows import Values
from service.db import read_session
from tests.commands import Process, forked
from tests.e2e.killed_server import PART, POINTS, serve
from tests.e2e.test_serve_open import CSV, PATIENCE, free_port, wait_until_alive

ROUNDS = int(os.environ.get("KILL_ROUNDS", "1"))  # a soak takes more
EVENTS = 5 * PART // 2
VALVES = "tag\n" + "".join(f"FV-{number}\n" for number in range(50))


@dataclass(frozen=True)
class Record:
    """Every event, and how many entries the audit trail has."""

    events: list[Values]
    audit_entries: int


def day_of(number: int) -> str:
    return f"{1990 + number % 30}-01-02"


def events(kill: int) -> str:
    """Make up a file of events, each listing items."""
    lines = (f"WO-{kill}-{n},FV-{n % 50},{day_of(n)},rebuild,trim|packing\n" for n in range(EVENTS))
    return "ref,tag,done_on,action,renewed\n" + "".join(lines)


@contextmanager
def serving(url: str, folder: Path) -> Iterator[tuple[Process, httpx.Client]]:
    """Serve from a process that can be told to die."""
    port = free_port()
    process = forked(serve, folder, url, port)
    process.start()
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(lambda: process.exitcode, client)
            yield process, client
    finally:
        process.kill()
        process.join()


def record(engines: Engines) -> Record:
    """Read what an import writes."""
    with read_session(engines) as session:
        entries = list_entries(session, before=None, limit=1000)
        return Record(list(records.read_all(session, "events")), len(entries))


def assert_sound(engines: Engines) -> None:
    """Let the database check itself; on PostgreSQL, that the dead client left neither lock nor orphan behind."""
    with read_session(engines) as session:
        if engines.reader.dialect.name == "sqlite":
            assert session.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"
            assert session.execute(text("PRAGMA foreign_key_check")).all() == []
        else:
            assert session.execute(text("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'")).scalar_one() == 0
        orphans = "SELECT count(*) FROM event_renewed WHERE event_id NOT IN (SELECT id FROM events)"
        assert session.execute(text(orphans)).scalar_one() == 0
        keys = session.execute(text("SELECT count(*) - count(DISTINCT ref_key) FROM events"))
        assert keys.scalar_one() == 0


def kill_at(point: str, client: httpx.Client, process: Process, folder: Path, body: str) -> None:
    """Send an import that the server doesn't live to answer."""
    (folder / "point").write_text(point)
    with pytest.raises(httpx.TransportError, match=r"disconnected|reset|closed"):
        client.post("/v1/imports/events", content=body, headers=CSV)
    process.join(PATIENCE)
    assert process.exitcode == -signal.SIGKILL
    (folder / "point").unlink()


def assert_all_or_nothing(engines: Engines, before: Record, *, committed: bool) -> None:
    """Compare what the dead server left with what was there before its last import."""
    found = record(engines)
    assert len(found.events) == len(before.events) + committed * EVENTS
    assert committed or found == before
    assert found.audit_entries == before.audit_entries + committed
    assert_sound(engines)


def assert_whole(engines: Engines, *, kills: int) -> None:
    """Look for every event of every file, each once, as it was sent, and one entry for each import."""
    found = record(engines)
    assert found.audit_entries == kills + 1
    rows = [(row["ref"], row["tag"], row["done_on"], row["renewed"]) for row in found.events]
    items = ["packing", "trim"]
    sent = [(f"WO-{k}-{n}", f"FV-{n % 50}", day_of(n), items) for k in range(kills) for n in range(EVENTS)]
    assert sorted(rows) == sorted(sent)
    assert_sound(engines)


@pytest.mark.timeout(120 * ROUNDS)
def test_an_import_killed_anywhere_is_all_there_or_not_at_all(
    database_url: str, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    engines = open_engines(database_url)
    with ExitStack() as stack:
        stack.callback(engines.reader.dispose)
        process, client = stack.enter_context(serving(database_url, tmp_path))
        client.post("/v1/imports/valves", content=VALVES, headers=CSV).raise_for_status()
        for kill, point in enumerate(POINTS * ROUNDS):
            before = record(engines)
            kill_at(point, client, process, tmp_path, events(kill))
            committed = point == "after commit"
            assert_all_or_nothing(engines, before, committed=committed)
            process, client = stack.enter_context(serving(database_url, tmp_path))
            answer = client.post("/v1/imports/events", content=events(kill), headers=CSV)
            counts = {"created": EVENTS * (not committed), "changed": 0, "unchanged": EVENTS * committed}
            assert answer.json()["files"] == [{"file": "events", **counts}]
            assert_whole(engines, kills=kill + 1)
    hits = Counter((tmp_path / "hits").read_text().splitlines())
    assert hits == dict.fromkeys(POINTS, ROUNDS)
    print(f"kills on {engines.reader.dialect.name}: {dict(hits)}")
    record_property("kills", dict(hits))
