"""Import files of the record: all of them or none, in any order."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import BinaryIO

from models.base import Session
from models.engine import Engines
from models.queries import records
from models.queries.files import FILES
from service.csv_tables import ParsedTable, RowError, parse_table
from service.db import read_session, trial_session, write_session
from service.use_cases.check_records import find_errors


class ImportRejected(Exception):
    """Something in the files is wrong, so nothing of them was stored; `errors` lists all of it."""

    def __init__(self, errors: list[RowError]) -> None:
        count = "1 error" if len(errors) == 1 else f"{len(errors)} errors"
        super().__init__(f"{count} in the files; nothing was imported")
        self.errors = errors


@dataclass(frozen=True)
class ImportedFile:
    """How many rows of a file were new, changed the record, or were in it already."""

    file: str
    created: int
    changed: int
    unchanged: int


@dataclass(frozen=True)
class ImportReport:
    """What an import did, and the codes it named that nobody has described yet, by file."""

    files: list[ImportedFile]
    named_but_not_described: dict[str, list[str]]


def import_files(engines: Engines, files: Mapping[str, BinaryIO | Path], *, today: date) -> ImportReport:
    """Bring files into the record, all of them or none.

    Parameters
    ----------
    engines : Engines
        Of the database.
    files : mapping
        File name, as `valves.csv`, to its content; in any order.
    today : date
        The day of the import.

    Returns
    -------
    ImportReport
        File by file, each after those it refers to.

    Raises
    ------
    ImportRejected
        If anything in them is wrong.
    """  # noqa: DOC502 (raised by _read)
    tables = _read(engines, files, today=today)
    with write_session(engines) as session:
        return _store(session, tables)


def check_files(engines: Engines, files: Mapping[str, BinaryIO | Path], *, today: date) -> ImportReport:
    """Say what an import would do, and change nothing.

    Parameters
    ----------
    engines : Engines
        Of the database.
    files : mapping
        As for `import_files`.
    today : date
        The day of the import.

    Returns
    -------
    ImportReport
        What `import_files` would return now.

    Raises
    ------
    ImportRejected
        If anything in them is wrong.
    """  # noqa: DOC502 (raised by _read)
    tables = _read(engines, files, today=today)
    with trial_session(engines) as session:
        return _store(session, tables)


def _read(engines: Engines, files: Mapping[str, BinaryIO | Path], *, today: date) -> list[ParsedTable]:
    # All of it before a write transaction opens: reading a large file must not keep other writers waiting.
    contents = _by_name(files)
    tables = [_parse(name, contents[name]) for name in FILES if name in contents]
    with read_session(engines) as session:
        errors = find_errors(session, tables, today=today)
    if errors:
        raise ImportRejected(errors)
    return tables


def _by_name(files: Mapping[str, BinaryIO | Path]) -> dict[str, BinaryIO | Path]:
    known = [f"{name}.csv" for name in FILES]
    errors: list[RowError] = []
    contents: dict[str, BinaryIO | Path] = {}
    for given, content in files.items():
        name = given.casefold()
        if name not in known:
            errors.append(RowError(given, None, None, given, f"one of {', '.join(known)}"))
        elif name.removesuffix(".csv") in contents:
            errors.append(RowError(given, None, None, given, "each file once"))
        contents[name.removesuffix(".csv")] = content
    if errors:
        raise ImportRejected(errors)
    return contents


def _parse(name: str, content: BinaryIO | Path) -> ParsedTable:
    if not isinstance(content, Path):
        return parse_table(name, content)
    with content.open("rb") as stream:
        return parse_table(name, stream)


def _store(session: Session, tables: list[ParsedTable]) -> ImportReport:
    imported: list[ImportedFile] = []
    named: dict[str, list[str]] = {}
    for table in tables:
        counts = records.upsert(session, table.file, table.rows)
        imported.append(ImportedFile(table.file, counts.created, counts.changed, counts.unchanged))
        for file, codes in counts.named_but_not_described.items():
            named.setdefault(file, []).extend(codes)
    return ImportReport(imported, named)
