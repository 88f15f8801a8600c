"""A database with data, of each schema version there was, is brought to the newest with all its data.

No version has been released before 0.1.0; every schema version is taken as one that somebody may have.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text
from sqlmodel import SQLModel

from models.engine import MIGRATIONS, Engines, check_schema, downgrade, migrate, open_engines
from tests.models.filled_database import fill
from tests.service.test_run_forecast import FILES, bring_in

VERSIONS = [one.revision for one in ScriptDirectory(str(MIGRATIONS)).walk_revisions()]
Rows = dict[str, list[dict[str, str]]]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Iterator[Engines]:
    """The record of a small plant."""
    path = tmp_path_factory.mktemp("filled") / "plant.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, FILES)
    yield engines
    engines.reader.dispose()


def rows_of(url: str) -> Rows:
    """Every row of every table a database has, each column as text."""
    engines = open_engines(url)
    with engines.reader.connect() as connection:
        rows = {
            name: [
                {column: str(value) for column, value in row.items() if value is not None}
                for row in connection.execute(text(f"SELECT * FROM {name}")).mappings()
            ]
            for name in inspect(connection).get_table_names()
            if name != "alembic_version"
        }
    engines.reader.dispose()
    return rows


def ordered(rows: list[dict[str, Any]], columns: set[str]) -> list[tuple[tuple[str, Any], ...]]:
    return sorted(tuple(sorted((name, row[name]) for name in row.keys() & columns)) for row in rows)


def test_every_version_with_rows_in_every_table_keeps_them(empty_database_url: str, filled: Engines) -> None:
    """Taken down to each version, which leaves what that version can hold, and brought up from there."""
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    fill(engines, filled)
    engines.reader.dispose()
    for version in VERSIONS:
        downgrade(empty_database_url, revision=version)
        before = rows_of(empty_database_url)
        assert [name for name, rows in before.items() if not rows] == [], version
        migrate(empty_database_url)
        after = rows_of(empty_database_url)
        for name, rows in before.items():
            had = {column for row in rows for column in row}
            kept = had & set(SQLModel.metadata.tables[name].columns.keys())
            assert ordered(after[name], kept) == ordered(rows, kept), version
    check_schema(empty_database_url)
