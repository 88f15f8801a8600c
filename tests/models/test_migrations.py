"""Schema versions go up, down and up again on both databases, and end where the code says."""

from concurrent.futures import ThreadPoolExecutor

from sqlalchemy import inspect
from sqlmodel import SQLModel

from models.engine import Engines, check_schema, downgrade, migrate, open_engines
from tests.database_dump import constraint_texts, dump


def tables_of(url: str) -> set[str]:
    engines = open_engines(url)
    names = set(inspect(engines.reader).get_table_names())
    engines.reader.dispose()
    return names - {"alembic_version"}


def test_up_down_and_up_again(empty_database_url: str) -> None:
    migrate(empty_database_url)
    migrated = tables_of(empty_database_url)
    downgrade(empty_database_url, revision="base")
    assert tables_of(empty_database_url) == set()
    migrate(empty_database_url)
    assert tables_of(empty_database_url) == migrated == set(SQLModel.metadata.tables)


def test_each_version_can_be_left_downwards(empty_database_url: str) -> None:
    """From the newest to the first, one step at a time, and back."""
    migrate(empty_database_url)
    downgrade(empty_database_url, revision="0001")
    assert {"valves", "events", "kits"} <= tables_of(empty_database_url)
    assert "runs" not in tables_of(empty_database_url)
    migrate(empty_database_url)
    check_schema(empty_database_url)


def test_a_migrated_database_is_what_the_code_declares(database_url: str) -> None:
    """Alembic finds no difference in tables, columns, types, keys and indexes."""
    check_schema(database_url)


def test_migrations_make_the_same_check_constraints_as_the_code(empty_database_url: str) -> None:
    """Alembic does not compare these, so both are made and read back."""
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    by_migration = constraint_texts(engines)
    downgrade(empty_database_url, revision="base")
    SQLModel.metadata.create_all(engines.writer)
    by_code = constraint_texts(engines)
    engines.reader.dispose()
    assert by_migration == by_code
    assert "ck_events_found_before_done" in by_migration["events"]


def test_keys_sort_by_code_point_whatever_the_language_of_the_server(migrated_database: str) -> None:
    """Else an export and the digest of a run's input would depend on how a server was set up."""
    engines = open_engines(migrated_database)
    collations = {
        (table, column["name"]): getattr(column["type"], "collation", None)
        for table in ("areas", "valves", "kits", "events", "orders")
        for column in inspect(engines.reader).get_columns(table)
        if column["name"].endswith("_key")
    }
    engines.reader.dispose()
    assert len(collations) == 6
    assert set(collations.values()) == {"C"}


def test_migrating_a_migrated_database_changes_nothing(engines: Engines, database_url: str) -> None:
    before = dump(engines)
    migrate(database_url)
    assert dump(engines) == before


def test_two_processes_may_migrate_at_once(empty_database_url: str) -> None:
    """Servers that start together: one migrates, the other waits and finds it done."""
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(migrate, [empty_database_url] * 2))
    check_schema(empty_database_url)
