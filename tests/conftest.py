"""Databases for tests: real files and a real server, migrated once and copied for each test."""

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import NullPool, create_engine

from models.engine import Engines, migrate, open_engines
from tests.postgresql_server import running_postgresql

DATABASES = ("sqlite", "postgresql")
NUMBERS = count(1)


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
def migrated_template(postgresql_server: str) -> str:
    """Make a PostgreSQL database as the migrations make it, and give its name."""
    _execute(postgresql_server, "CREATE DATABASE template_migrated")
    migrate(f"{postgresql_server}template_migrated")
    return "template_migrated"


@pytest.fixture(params=DATABASES)
def empty_database_url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give a database of each kind before any migration."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path_factory.mktemp('database') / 'empty.sqlite'}"
    else:
        yield from _postgresql_database(request.getfixturevalue("postgresql_server"), "template1")


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


def _migrated_database(request: pytest.FixtureRequest, kind: str) -> Iterator[str]:
    if kind == "sqlite":
        folder: Path = request.getfixturevalue("tmp_path_factory").mktemp("database")
        path = folder / "record.sqlite"
        shutil.copyfile(request.getfixturevalue("migrated_file"), path)
        yield f"sqlite:///{path}"
    else:
        template = request.getfixturevalue("migrated_template")
        yield from _postgresql_database(request.getfixturevalue("postgresql_server"), template)


def _postgresql_database(server: str, template: str) -> Iterator[str]:
    name = f"test_{next(NUMBERS)}"
    _execute(server, f"CREATE DATABASE {name} TEMPLATE {template}")
    yield f"{server}{name}"
    _execute(server, f"DROP DATABASE {name} WITH (FORCE)")


def _opened(url: str) -> Iterator[Engines]:
    opened = open_engines(url)
    yield opened
    opened.reader.dispose()


def _execute(server: str, statement: str) -> None:
    url = server.replace("postgresql:", "postgresql+psycopg:") + "postgres"
    engine = create_engine(url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(statement)
