"""Each messy file comes in as it was meant, or is refused with every place named and nothing stored."""

from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import pytest

from models.engine import Engines
from models.queries import records
from service.db import read_session
from service.use_cases.import_files import ImportRejected, import_files
from tests.database_dump import dump
from tests.service.messy_files import KINDS, MESSY, Messy
from tests.service.test_import_files import TODAY


@pytest.fixture
def plant(engines: Engines) -> Engines:
    tags = ["FV-101A/B", *(f"FV-{number}" for number in range(1, 42))]
    bring_in(engines, "valves", "\n".join(["tag", *tags]).encode())
    return engines


def bring_in(engines: Engines, file: str, content: bytes, **said: Any) -> None:
    files: dict[str, BinaryIO | Path] = {f"{file}.csv": BytesIO(content)}
    import_files(engines, files, today=TODAY, **said)


def test_there_are_as_many_as_were_promised_of_every_kind() -> None:
    assert len(MESSY) >= 60
    assert {bool(messy.told) for messy in MESSY.values()} == {True, False}
    assert {messy.kind for messy in MESSY.values()} == set(KINDS)


@pytest.mark.parametrize("name", [name for name, messy in MESSY.items() if not messy.told])
def test_an_honest_mess_comes_in(plant: Engines, name: str) -> None:
    messy: Messy = MESSY[name]
    bring_in(plant, messy.file, messy.content, dates=messy.dates)
    with read_session(plant) as session:
        rows = list(records.read_all(session, messy.file))
    for wanted in messy.stored:
        match = next((row for row in rows if {column: row[column] for column in wanted} == wanted), None)
        assert match is not None, rows
        rows.remove(match)
    before = dump(plant)
    bring_in(plant, messy.file, messy.content, dates=messy.dates)
    assert dump(plant) == before


@pytest.mark.parametrize("name", [name for name, messy in MESSY.items() if messy.told])
def test_what_can_not_be_meant_is_refused(plant: Engines, name: str) -> None:
    messy: Messy = MESSY[name]
    before = dump(plant)
    with pytest.raises(ImportRejected, match="nothing was imported") as caught:
        bring_in(plant, messy.file, messy.content, dates=messy.dates)
    found = caught.value.errors
    assert [(error.line, error.column, error.value) for error in found] == [place[:3] for place in messy.told]
    for error, (*_, words) in zip(found, messy.told, strict=True):
        assert words in error.expected
    assert dump(plant) == before
