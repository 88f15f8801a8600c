"""Answers kept ready: the same bytes, never older than what was committed, for nobody who may not see them."""

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient
from sqlalchemy import event
from structlog.testing import capture_logs

from models.engine import Engines
from models.queries import runs
from models.queries.run_progress import enter_stage
from service import settings
from service.app import guarded, routed
from service.db import lease_session, write_session
from service.ready_answers import Ready, ReadyAnswers
from service.schemas.records import AreaRecord
from service.settings import STALE_AFTER, Settings
from service.use_cases import manage_keys
from service.use_cases.change_records import create_record
from tests.commands import valve_kits
from tests.service.conftest import AS_OF, HERE, NOON

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
Finish = Callable[[Engines], int]
ONE = "/v1/reorder-points/MAIN/K-1"
OWN = ("x-request-id",)


@contextmanager
def statements_of(app: Litestar) -> Iterator[list[str]]:
    """Gather what is asked of a database while the context lasts."""
    said: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        said.append(statement)

    engine = app.state.engines.reader
    event.listen(engine, "before_cursor_execute", note)
    yield said
    event.remove(engine, "before_cursor_execute", note)


@contextmanager
def serving(url: str, **more: Any) -> Iterator[tuple[Litestar, Client]]:
    """Serve a database, with its routes to look into."""
    wanted = Settings(database_url=url, **{"access": "open", **more})
    app = routed(wanted)
    with TestClient(guarded(app, wanted), base_url=HERE) as client:
        yield app, client


def bearer(engines: Engines, role: str) -> tuple[int, dict[str, str]]:
    """Make a key; give its number and its header."""
    made = manage_keys.create_key(engines, role=role, holder=f"holder of {role}", expires_at=None)
    return made.id, {"Authorization": f"Bearer {made.key}"}


def test_an_answer_is_given_again_byte_for_byte_without_asking_for_rows(
    database_url: str, engines: Engines, finish_run: Finish
) -> None:
    finish_run(engines)
    with serving(database_url) as (app, client):
        first = client.get(ONE)
        with statements_of(app) as said:
            again, head = client.get(ONE), client.head(ONE)
        assert said == []
        assert (again.status_code, again.content) == (200, first.content)
        assert head.content == b""
        for answer in (again, head):
            same = [{k: v for k, v in one.headers.items() if k not in OWN} for one in (first, answer)]
            assert same[0] == same[1]
        assert len({one.headers["x-request-id"] for one in (first, again, head)}) == 3


def test_what_another_process_commits_is_seen_at_once(database_url: str, tmp_path: Path) -> None:
    table = tmp_path / "areas.csv"
    with serving(database_url) as (_, client):
        client.post("/v1/areas", json={"code": "U100", "name": "before"})
        for _ in range(2):
            assert client.get("/v1/areas").json()["value"][0]["name"] == "before"
        table.write_text("code,name\nU100,after\n")
        assert valve_kits(database_url, "import", str(table)).returncode == 0
        assert client.get("/v1/areas").json()["value"][0]["name"] == "after"


def test_nobody_reads_less_than_was_committed_before_they_asked(database_url: str, engines: Engines) -> None:
    """A writer and three readers at once, many times over: an answer made meanwhile must not be kept either."""
    committed, lags, over = [0], [], threading.Event()
    with serving(database_url) as (_, client):

        def read() -> None:
            while not over.is_set():
                least = committed[0]
                seen = client.get("/v1/areas?format=csv").text.count("U-")
                lags.append(least - seen)

        readers = [threading.Thread(target=read) for _ in range(3)]
        for reader in readers:
            reader.start()
        try:
            for number in range(1, 61):
                while len(lags) < number:
                    time.sleep(0.001)
                create_record(engines, "areas", AreaRecord(code=f"U-{number}"), today=AS_OF)
                committed[0] = number
        finally:
            over.set()
            for reader in readers:
                reader.join()
        assert client.get("/v1/areas?format=csv").text.count("U-") == 60
    assert max(lags) <= 0


def test_a_key_that_was_revoked_opens_nothing_that_is_kept(database_url: str, engines: Engines) -> None:
    number, header = bearer(engines, "reader")
    with serving(database_url, access="keys") as (_, client):
        assert [client.get("/v1/areas", headers=header).status_code for _ in range(3)] == [200] * 3
        manage_keys.revoke_key(engines, number)
        assert client.get("/v1/areas", headers=header).status_code == 401
        assert client.get("/v1/areas").status_code == 401


def test_roles_share_nothing_they_may_not_see(database_url: str, engines: Engines) -> None:
    """What an administrator was shown is kept, and no reader gets it; a key in the address opens what it may open."""
    (_, admin), (_, reader), (_, sheet) = (bearer(engines, role) for role in ("admin", "reader", "sheet"))
    key = sheet["Authorization"].removeprefix("Bearer ")
    with serving(database_url, access="keys") as (_, client):
        for path in ("/v1/audit", "/v1/keys"):
            assert [client.get(path, headers=admin).status_code for _ in range(2)] == [200, 200]
            assert [client.get(path, headers=reader).status_code for _ in range(2)] == [403, 403]
            assert client.get(path, headers=admin).status_code == 200
        for _ in range(2):
            assert client.get("/v1/areas?format=csv", headers=admin).status_code == 200
            assert client.get(f"/v1/areas?format=csv&key={key}").status_code == 200
            assert client.get(f"/v1/areas?key={key}").status_code == 403


def test_each_way_of_asking_has_its_own_answer(sqlite_url: str, sqlite_engines: Engines, finish_run: Finish) -> None:
    finish_run(sqlite_engines)
    path = "/v1/reorder-points"
    ways: list[tuple[str, dict[str, str]]] = [
        (path, {"Accept": "application/json"}),
        (path, {"Accept": "text/csv"}),
        (f"{path}?format=csv&dialect=semicolon", {}),
        (f"{path}?limit=1", {}),
        (f"{path}?kit=K-1", {}),
        (path, {"Accept": "application/json", "Accept-Encoding": "identity"}),
    ]
    with serving(sqlite_url) as (_, client):
        first = [client.get(address, headers=headers) for address, headers in ways]
        again = [client.get(address, headers=headers) for address, headers in ways]
    assert [one.content for one in first] == [one.content for one in again]
    assert len({one.content for one in first}) == len(ways) - 1
    assert [one.headers.get("content-encoding") for one in again][:: len(ways) - 1] == ["gzip", None]


def test_who_has_the_answer_is_told_so_until_it_changes(client: Client) -> None:
    tag = client.get("/v1/areas").headers["etag"]
    told = [client.get("/v1/areas", headers={"If-None-Match": tag}) for _ in range(3)]
    assert [(one.status_code, one.content, one.headers["etag"]) for one in told] == [(304, b"", tag)] * 3
    client.post("/v1/areas", json={"code": "U100"})
    assert client.get("/v1/areas", headers={"If-None-Match": tag}).status_code == 200


def test_how_far_a_run_is_is_never_kept(client: Client, engines: Engines) -> None:
    with write_session(engines) as session:
        run = runs.create_run(session, as_of=AS_OF, requested_at=NOON, code_version="0.1.0", pid=os.getpid())
        runs.claim_run(session, run.id, started_at=NOON, pid=os.getpid())
    for stage in ("reading", "fitting"):
        with lease_session(engines) as session:  # renews no tag
            enter_stage(session, run.id, stage, at=NOON)
        assert client.get(f"/v1/runs/{run.id}").json()["stage"] == stage
        assert client.get("/v1/runs").json()["value"][0]["stage"] == stage


def test_what_is_kept_says_when_the_forecast_grows_stale(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: Finish, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is written, only time passes."""
    finish_run(sqlite_engines)
    fresh = [sqlite_client.get(ONE) for _ in range(2)]
    later = settings.now() + STALE_AFTER + timedelta(minutes=1)
    for place in ("service.settings.now", "service.use_cases.choose_run.now"):
        monkeypatch.setattr(place, lambda: later)
    stale = [sqlite_client.get(ONE) for _ in range(2)]
    assert ["notice" in one.json() for one in fresh] == [False, False]
    assert ["stale forecast" in one.json().get("notice", "") for one in stale] == [True, True]
    assert fresh[0].headers["etag"] != stale[0].headers["etag"]


def test_what_is_kept_is_limited_logged_and_counted_as_any_answer(sqlite_url: str, sqlite_engines: Engines) -> None:
    _, header = bearer(sqlite_engines, "reader")
    with serving(sqlite_url, access="keys", requests_per_minute=4) as (_, client), capture_logs() as logs:
        statuses = [client.get("/v1/areas", headers=header).status_code for _ in range(5)]
        assert statuses == [200] * 4 + [429]
        assert [(line["path"], line["status"]) for line in logs if line["event"] == "request"] == [
            ("/v1/areas", status) for status in statuses
        ]
    with serving(sqlite_url) as (_, client):
        for _ in range(3):
            client.get("/v1/areas")
        counted = 'valve_kits_requests_total{method="GET",route="/v1/areas",status="200"} 3.0'
        assert counted in client.get("/metrics").text


def test_an_error_is_not_kept(client: Client) -> None:
    assert [client.get("/v1/areas/U100").status_code for _ in range(2)] == [404, 404]
    client.post("/v1/areas", json={"code": "U100"})
    assert client.get("/v1/areas/U100").status_code == 200


def answer(body: bytes) -> Ready:
    """Make an answer."""
    return Ready(status=200, headers=[(b"etag", b"x" * 10)], body=body, path_template="/v1/areas")


def test_memory_has_a_bound_and_what_was_asked_for_last_stays() -> None:
    answers = ReadyAnswers(most=3, most_bytes=100)
    answers.find("one", ("a",))
    for name in "abc":
        answers.keep("one", (name,), answer(name.encode()))
    assert answers.find("one", ("a",)) == answer(b"a")
    answers.keep("one", ("d",), answer(b"d"))
    assert [answers.find("one", (name,)) is not None for name in "abcd"] == [True, False, True, True]
    answers.keep("one", ("e",), answer(b"x" * 86))
    answers.keep("one", ("f" * 90,), answer(b"x"))
    assert len(answers) == 3
    answers.keep("one", ("g",), answer(b"x" * 85))
    assert answers.find("one", ("g",)) is not None


def test_what_was_answered_in_another_state_is_forgotten() -> None:
    answers = ReadyAnswers()
    answers.find("one", ("a",))
    answers.keep("one", ("a",), answer(b"a"))
    answers.keep("two", ("b",), answer(b"made while the state changed"))
    assert len(answers) == 1
    assert answers.find("two", ("a",)) is None
    assert answers.find("one", ("a",)) is None
    assert len(answers) == 0
