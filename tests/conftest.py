"""Databases for tests: real files and a real server; migrated once, empty again for each test."""

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from sqlmodel import SQLModel

import service  # noqa: F401  - one thread of linear algebra, in this process as in those it starts
from models.engine import Engines, migrate, open_engines
from tests.database_copies import DATABASES, execute
from tests.postgresql_server import running_postgresql

NUMBERS = count(1)
# six times as quick as TRUNCATE, which makes the files of every table and index anew
EMPTY = """
DO $$ DECLARE name text; BEGIN
  FOREACH name IN ARRAY ARRAY[{tables}] LOOP EXECUTE 'DELETE FROM ' || name; END LOOP;
  PERFORM setval(sequencename::regclass, start_value, false) FROM pg_sequences WHERE last_value IS NOT NULL;
END $$"""


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """Give the start of the URL of every database of the test run's own server."""
    with running_postgresql() as url:
        yield url


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make an SQLite database as the migrations make it."""
    path = tmp_path_factory.mktemp("migrated") / "template.sqlite"
    migrate(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def migrated_database(postgresql_server: str) -> str:
    """Make a PostgreSQL database as the migrations make it."""
    execute(f"{postgresql_server}postgres", "CREATE DATABASE migrated")
    migrate(f"{postgresql_server}migrated")
    return f"{postgresql_server}migrated"


@pytest.fixture(params=DATABASES)
def empty_database_url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give a database of each kind before any migration."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path_factory.mktemp('database') / 'empty.sqlite'}"
    else:
        server = request.getfixturevalue("postgresql_server")
        name = f"empty_{next(NUMBERS)}"
        execute(f"{server}postgres", f"CREATE DATABASE {name}")
        yield f"{server}{name}"
        execute(f"{server}postgres", f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=DATABASES)
def database_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """Give a migrated database of each kind, of the test's own."""
    yield from _migrated_database(request, request.param)


@pytest.fixture
def sqlite_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """Give a migrated SQLite database, for what only concerns that, or no database in particular."""
    yield from _migrated_database(request, "sqlite")


@pytest.fixture
def engines(database_url: str) -> Iterator[Engines]:
    """Open a migrated database of each kind."""
    yield from _opened(database_url)


@pytest.fixture
def sqlite_engines(sqlite_url: str) -> Iterator[Engines]:
    """Open a migrated SQLite database."""
    yield from _opened(sqlite_url)


def rows_of_others_first() -> str:
    """List the tables so that none is emptied before those that name its rows."""
    return ", ".join(f"'{table.name}'" for table in reversed(SQLModel.metadata.sorted_tables))


def _migrated_database(request: pytest.FixtureRequest, kind: str) -> Iterator[str]:
    if kind == "sqlite":
        folder: Path = request.getfixturevalue("tmp_path_factory").mktemp("database")
        path = folder / "record.sqlite"
        shutil.copyfile(request.getfixturevalue("migrated_file"), path)
        yield f"sqlite:///{path}"
    else:
        url: str = request.getfixturevalue("migrated_database")
        yield url
        execute(url, "SET lock_timeout = '5s'", EMPTY.format(tables=rows_of_others_first()))


def _opened(url: str) -> Iterator[Engines]:
    opened = open_engines(url)
    yield opened
    opened.reader.dispose()
