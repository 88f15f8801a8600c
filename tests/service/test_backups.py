"""Copies of a database: made and brought back while it is served, whole or not at all, to identical exports."""

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.base import Conflict, Damaged, NotFound
from models.engine import Engines, migrate
from service.databases import expect_sound_or_absent
from service.db import write_session
from service.use_cases.keep_copies import back_up, bring_back
from tests.commands import valve_kits
from tests.database_dump import dump
from tests.postgresql_server import client_programs
from tests.service.test_db import put
from tests.service.test_runs import import_two_files

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]


@pytest.fixture(autouse=True)
def programs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the programs that go with the server the tests run."""
    monkeypatch.setenv("PG_BIN", str(client_programs()))


def export(client: Client) -> dict[str, bytes]:
    return {
        path: client.get(f"/v1/{path}?format=csv").content
        for path in ("valves", "events", "stock", "runs", "order-list", "demand", "reorder-points", "failure-models")
    }


def test_what_is_brought_back_exports_the_same(
    client: Client, engines: Engines, database_url: str, finish_run: FinishRun, tmp_path: Path
) -> None:
    """While the server answers: connections it has open go on."""
    import_two_files(engines, tmp_path)
    finish_run(engines)
    copy = tmp_path / "copy"
    exported, stored = export(client), dump(engines)
    back_up(database_url, copy)
    assert copy.stat().st_mode & 0o777 == 0o600
    with write_session(engines) as session:
        put(session, 7)
    finish_run(engines)
    assert export(client) != exported
    bring_back(database_url, copy)
    assert (export(client), dump(engines)) == (exported, stored)
    with write_session(engines) as session:
        put(session, 8)
    assert client.get("/v1/stock/S/K").json()["on_hand"] == 8


def test_a_copy_made_between_two_changes_of_an_import_has_all_of_it_or_none(
    engines: Engines, database_url: str, tmp_path: Path
) -> None:
    with write_session(engines) as session:
        put(session, 1)
        session.flush()
        back_up(database_url, tmp_path / "copy")
    bring_back(database_url, tmp_path / "copy")
    assert dump(engines)["stock"] == []


def test_a_copy_of_an_older_version_is_brought_to_this_one(
    sqlite_url: str, sqlite_engines: Engines, tmp_path: Path
) -> None:
    older = f"sqlite:///{tmp_path / 'older.sqlite'}"
    migrate(older, revision="0005")
    back_up(older, tmp_path / "copy")
    bring_back(sqlite_url, tmp_path / "copy")
    assert dump(sqlite_engines)["scheduled_jobs"] == []


def spoil(path: Path) -> None:
    """Overwrite the middle of a file."""
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        file.write(b"\xff" * 8192)


@pytest.mark.parametrize(
    ("make", "error", "said"),
    [
        (lambda path: path.write_text("tag,design\n"), (Conflict, Damaged), "no copy of a"),
        (lambda path: sqlite3.connect(path).execute("CREATE TABLE t (x)").connection.close(), Conflict, "no copy of a"),
        (lambda path: None, NotFound, "there is no file"),
    ],
)
def test_what_is_no_copy_changes_nothing(
    database_url: str, engines: Engines, tmp_path: Path, make: Callable[[Path], object], error: Any, said: str
) -> None:
    with write_session(engines) as session:
        put(session, 1)
    before = dump(engines)
    make(tmp_path / "copy")
    with pytest.raises(error, match=said):
        bring_back(database_url, tmp_path / "copy")
    assert dump(engines) == before


def test_a_copy_cut_short_changes_nothing(database_url: str, engines: Engines, tmp_path: Path) -> None:
    with write_session(engines) as session:
        put(session, 1)
    before, copy = dump(engines), tmp_path / "copy"
    back_up(database_url, copy)
    with copy.open("r+b") as file:
        file.truncate(copy.stat().st_size // 2)
    with pytest.raises((Conflict, Damaged), match=r"damaged|refuses"):
        bring_back(database_url, copy)
    assert dump(engines) == before


def test_a_copy_of_a_newer_version_is_refused(sqlite_url: str, tmp_path: Path) -> None:
    back_up(sqlite_url, tmp_path / "copy")
    with sqlite3.connect(tmp_path / "copy") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(Conflict, match="is of another version of this program, 9999"):
        bring_back(sqlite_url, tmp_path / "copy")


def test_a_copy_that_can_not_be_finished_leaves_the_last_one(database_url: str, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    copy.write_text("the last one")
    with pytest.raises(NotFound, match="there is no folder"):
        back_up(database_url, tmp_path / "nowhere" / "copy")
    if database_url.startswith("sqlite"):
        spoil(Path(database_url.removeprefix("sqlite:///")))
        with pytest.raises((Damaged, sqlite3.DatabaseError), match=r"damaged|malformed"):
            back_up(database_url, copy)
    else:
        with pytest.raises(Conflict, match="pg_dump refuses"):
            back_up(f"{database_url}_that_is_not_there", copy)
    assert copy.read_text() == "the last one"
    assert list(tmp_path.glob("*.partial")) == []


def test_without_the_programs_of_postgresql_it_is_said_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PG_BIN", str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NotFound, match="pg_dump is not installed here"):
        back_up("postgresql://somebody@localhost/plant", tmp_path / "copy")


def test_a_damaged_file_is_not_served(sqlite_url: str, tmp_path: Path) -> None:
    path = tmp_path / "damaged.sqlite"
    shutil.copyfile(sqlite_url.removeprefix("sqlite:///"), path)
    spoil(path)
    with pytest.raises(Damaged, match="the database is damaged: .*; bring back a backup"):
        expect_sound_or_absent(f"sqlite:///{path}")
    answer = valve_kits(f"sqlite:///{path}", "serve", "--open", "--port", "1")
    assert answer.returncode != 0
    assert "damaged" in answer.stderr or "malformed" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_the_commands(database_url: str, engines: Engines, tmp_path: Path) -> None:
    with write_session(engines) as session:
        put(session, 1)
    done = valve_kits(database_url, "backup", str(tmp_path / "copy"))
    assert (done.returncode, done.stderr) == (0, "")
    with write_session(engines) as session:
        put(session, 2)
    done = valve_kits(database_url, "restore", str(tmp_path / "copy"))
    assert (done.returncode, done.stderr) == (0, "")
    ((*_, on_hand, _counted_on, _bin),) = dump(engines)["stock"]
    assert on_hand == 1
