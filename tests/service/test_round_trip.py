"""The record out of one database, into an empty one and out again: the same bytes, hostile text included."""

from collections.abc import Iterator
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.engine import Engines, open_engines
from models.queries import records
from models.queries.files import FILES
from seed_demo import write_demo_plant
from service.csv_tables import Dialect, parse_table, write_table
from service.db import read_session, trial_session
from service.schemas.records import RECORDS
from service.use_cases.export_files import FileFormat, export_archive
from service.use_cases.import_archive import import_archive
from service.use_cases.import_files import import_files
from tests.models.test_records import FULL
from tests.service.test_csv_tables import CODES, HOSTILE, MONEY, PARTIAL_DAYS

TODAY = date(2100, 1, 1)
CI = settings(
    max_examples=40,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def exported(engines: Engines, *, file_format: FileFormat = "csv", dialect: Dialect = "comma") -> bytes:
    with export_archive(engines, file_format=file_format, dialect=dialect) as archive:
        return archive.read()


@pytest.fixture
def other(sqlite_url: str) -> Iterator[Engines]:
    """Open an empty SQLite database beside the one of the test."""
    opened = open_engines(sqlite_url)
    yield opened
    opened.reader.dispose()


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo_plant(folder)
    return folder


@pytest.mark.parametrize("dialect", ["comma", "semicolon"])
def test_the_demo_plant_moves_from_either_database_to_another(
    engines: Engines, other: Engines, demo_folder: Path, dialect: Dialect
) -> None:
    import_files(engines, {path.name: path for path in demo_folder.iterdir()}, today=TODAY)
    sent = exported(engines, dialect=dialect)
    import_archive(other, BytesIO(sent), today=TODAY, dates="iso")
    assert exported(other, dialect=dialect) == sent


def test_every_column_moves_by_csv_and_by_workbook(engines: Engines, other: Engines) -> None:
    with_values: dict[str, Any] = {}
    for name in FILES:
        text = "".join(write_table(list(RECORDS[name].__struct_fields__), [FULL[name]], dialect="comma"))
        with_values[f"{name}.csv"] = BytesIO(text.encode())
    import_files(engines, with_values, today=TODAY)
    book = exported(engines, file_format="xlsx")
    import_archive(other, BytesIO(book), today=TODAY, dates="iso")
    assert stored(other) == stored(engines)


def stored(engines: Engines) -> list[list[dict[str, Any]]]:
    with read_session(engines) as session:
        return [list(records.read_all(session, name)) for name in FILES]


KITS = st.lists(
    st.fixed_dictionaries({"code": CODES, "name": st.none() | HOSTILE, "unit_cost": st.none() | MONEY}),
    unique_by=lambda kit: str(kit["code"]).casefold(),
    max_size=4,
)
EVENTS = st.lists(
    st.fixed_dictionaries({
        "tag": st.just("FV-1"),
        "done_on": PARTIAL_DAYS,
        "action": st.just("rebuild"),
        "turnaround": st.none() | CODES,
        "note": st.none() | HOSTILE,
    }),
    max_size=6,
)


@given(kits=KITS, events=EVENTS)
@CI
def test_hostile_rows_are_stored_and_exported_as_they_were(
    sqlite_engines: Engines, kits: list[dict[str, Any]], events: list[dict[str, Any]]
) -> None:
    """Written as CSV, read, stored, read back from the database and written again: the same text each time."""
    with trial_session(sqlite_engines) as session:
        records.upsert(session, "valves", [{"tag": "FV-1"}])
        for name, rows in (("kits", kits), ("events", events)):
            records.upsert(session, name, rows)
            first = written(session, name)
            table = parse_table(name, BytesIO(first.encode()))
            assert table.errors == []
            assert records.upsert(session, name, table.rows).unchanged == len(table.rows)
            assert written(session, name) == first


def written(session: Any, name: str) -> str:
    columns = list(RECORDS[name].__struct_fields__)
    return "".join(write_table(columns, records.read_all(session, name), dialect="comma"))
