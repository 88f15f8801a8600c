"""Readers can't write and see one state; writers hold the lock from their first statement."""

import pytest
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError

from models.engine import Engines, migrate, open_engines

ADD_AREA = "INSERT INTO areas (code, code_key, described) VALUES ('A', 'a', true)"
COUNT_AREAS = "SELECT count(*) FROM areas"


def test_a_reader_can_not_write(engines: Engines) -> None:
    with engines.reader.connect() as connection, pytest.raises(DBAPIError, match=r"read-?only"):
        connection.exec_driver_sql(ADD_AREA)


def test_a_connection_that_read_can_write_again(engines: Engines) -> None:
    """Reader and writer share a pool: a connection must not stay read-only."""
    with engines.reader.connect() as connection:
        connection.exec_driver_sql(COUNT_AREAS)
    with engines.writer.begin() as connection:
        connection.exec_driver_sql(ADD_AREA)
    with engines.reader.connect() as connection:
        assert connection.exec_driver_sql(COUNT_AREAS).scalar_one() == 1


def test_a_reader_sees_one_state_from_its_first_statement_on(engines: Engines) -> None:
    """A run reads many files: they must belong together."""
    with engines.reader.connect() as reader:
        assert reader.exec_driver_sql(COUNT_AREAS).scalar_one() == 0
        with engines.writer.begin() as writer:
            writer.exec_driver_sql(ADD_AREA)
        assert reader.exec_driver_sql(COUNT_AREAS).scalar_one() == 0


def test_references_are_enforced(engines: Engines) -> None:
    dangling = "INSERT INTO areas (code, code_key, storeroom_id, described) VALUES ('A', 'a', 99, true)"
    with engines.writer.connect() as connection, pytest.raises(IntegrityError, match=r"(?i)foreign key"):
        connection.exec_driver_sql(dangling)


@pytest.mark.parametrize("scheme", ["postgresql", "postgres", "postgresql+psycopg"])
def test_each_way_to_write_a_postgresql_url_uses_the_same_driver(scheme: str) -> None:
    engines = open_engines(f"{scheme}://somebody@localhost/plant")
    assert engines.writer.url.drivername == "postgresql+psycopg"
    engines.reader.dispose()


@pytest.mark.parametrize(("asked", "kept"), [("", 1), ("?synchronous=NORMAL", 1), ("?synchronous=FULL", 2)])
def test_how_soon_a_commit_is_on_the_disk_is_set_on_every_connection(sqlite_url: str, asked: str, kept: int) -> None:
    """As SQLite says: 1 is NORMAL, 2 is FULL."""
    migrate(sqlite_url + asked)
    engines = open_engines(sqlite_url + asked)
    with engines.writer.begin() as one, engines.reader.connect() as another:
        for connection in (one, another):
            assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == kept
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "wal"
    engines.reader.dispose()


@pytest.mark.parametrize("asked", ["OFF", "full", "3"])
def test_what_would_risk_the_file_is_refused(sqlite_url: str, asked: str) -> None:
    with pytest.raises(ArgumentError, match="expected one of NORMAL, FULL"):
        open_engines(f"{sqlite_url}?synchronous={asked}")
