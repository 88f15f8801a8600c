"""Import files of the record: all of them or none, in any order."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import BinaryIO

from models.base import Session, code_key
from models.engine import Engines
from models.queries import records
from models.queries.audit import note_digest
from models.queries.files import FILES
from service.db import read_session, trial_session, write_session
from service.local_dates import DateOrder
from service.spooled_tables import NO_LIMIT, ErrorList, SpooledTable, Watch, spooled, unwatched
from service.spooled_tables import TooManyRows as TooManyRows
from service.table_lines import RowError
from service.unplaced_events import hold_aside
from service.use_cases.check_records import find_errors
from service.workbook_lines import Sheet

SUFFIXES = (".csv", ".xlsx")


class ImportRejected(Exception):
    """Something in the files is wrong, so nothing of them was stored; `errors` lists the first thousands of it."""

    def __init__(self, errors: ErrorList) -> None:
        count = "1 error" if errors.count == 1 else f"{errors.count} errors"
        super().__init__(f"{count} in the files; nothing was imported")
        self.errors = errors.kept


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


def import_files(
    engines: Engines,
    files: Mapping[str, BinaryIO | Path],
    *,
    today: date,
    dates: DateOrder = "iso",
    most_rows: int = NO_LIMIT,
    watch: Watch = unwatched,
) -> ImportReport:
    """Bring files into the record, all of them or none.

    Parameters
    ----------
    engines : Engines
        Of the database.
    files : mapping
        File name, as `valves.csv` or `valves.xlsx`, to its content; in any order.
    today : date
        The day of the import.
    dates : `iso`, `dmy` or `mdy`
        How days are written in them besides ISO 8601, as declared.
    most_rows : int [rows]
        That are taken, of all files together.
    watch : Watch
        Is told of each part of a file that was read, checked or stored.

    Returns
    -------
    ImportReport
        File by file, each after those it refers to.

    Raises
    ------
    ImportRejected
        If anything in them is wrong.
    TooManyRows
        If they hold more rows than are taken.
    """  # noqa: DOC502 (raised by _checked)
    with (
        _checked(engines, files, today=today, dates=dates, most_rows=most_rows, watch=watch) as tables,
        write_session(engines) as session,
    ):
        return _store(session, tables, watch)


def check_files(
    engines: Engines,
    files: Mapping[str, BinaryIO | Path],
    *,
    today: date,
    dates: DateOrder = "iso",
    most_rows: int = NO_LIMIT,
    watch: Watch = unwatched,
) -> ImportReport:
    """Say what an import would do, and change nothing.

    Parameters
    ----------
    engines : Engines
        Of the database.
    files : mapping
        As for `import_files`.
    today : date
        The day of the import.
    dates : `iso`, `dmy` or `mdy`
        As for `import_files`.
    most_rows : int [rows]
        As for `import_files`.
    watch : Watch
        As for `import_files`.

    Returns
    -------
    ImportReport
        What `import_files` would return now.

    Raises
    ------
    ImportRejected
        If anything in them is wrong.
    TooManyRows
        If they hold more rows than are taken.
    """  # noqa: DOC502 (raised by _checked)
    with (
        _checked(engines, files, today=today, dates=dates, most_rows=most_rows, watch=watch) as tables,
        trial_session(engines) as session,
    ):
        return _store(session, tables, watch)


@contextmanager
def _checked(
    engines: Engines,
    files: Mapping[str, BinaryIO | Path],
    *,
    today: date,
    dates: DateOrder,
    most_rows: int,
    watch: Watch,
) -> Iterator[list[SpooledTable]]:
    # All of it before a write transaction opens: reading a large file must not keep other writers waiting.
    contents = _by_name(files)
    with ExitStack() as stack:
        tables: list[SpooledTable] = []
        for name in FILES:
            if name in contents:
                source, content = contents[name]
                stream = stack.enter_context(content.open("rb")) if isinstance(content, Path) else content
                left = most_rows - sum(table.row_count for table in tables)
                table = spooled(name, stream, source=source, dates=dates, most_rows=left, watch=watch)
                tables.append(stack.enter_context(table))
        with read_session(engines) as session:
            errors = find_errors(session, tables, today=today, watch=watch)
        if errors.count:
            raise ImportRejected(errors)
        yield tables


def _by_name(files: Mapping[str, BinaryIO | Path]) -> dict[str, tuple[str, BinaryIO | Path]]:
    errors = ErrorList()
    contents: dict[str, tuple[str, BinaryIO | Path]] = {}
    for given, content in files.items():
        source = given.casefold()
        name = next((source.removesuffix(suffix) for suffix in SUFFIXES if source.endswith(suffix)), "")
        if name not in FILES:
            known = ", ".join(f"{file}.csv" for file in FILES)
            errors.add([RowError(given, None, None, given, f"one of {known}; or .xlsx")])
        elif name in contents:
            errors.add([RowError(given, None, None, given, "each file once")])
        contents[name] = (content.source if isinstance(content, Sheet) else source, content)
    if errors.count:
        raise ImportRejected(errors)
    return contents


def _store(session: Session, tables: Sequence[SpooledTable], watch: Watch) -> ImportReport:
    imported: list[ImportedFile] = []
    named: dict[str, list[str]] = {}
    for table in tables:
        created = changed = unchanged = 0
        untagged = Counter[str]()
        counting = records.begin_counting(session, table.file, table.repeated)
        note_digest(session, table.file, table.digest)
        for part in table.parts():
            counts = records.upsert(session, table.file, part.rows, counting)
            created, changed = created + counts.created, changed + counts.changed
            unchanged += counts.unchanged
            held = hold_aside(session, part.untagged, untagged)
            created, unchanged = created + held, unchanged + len(part.untagged) - held
            for file, codes in counts.named_but_not_described.items():
                named.setdefault(file, []).extend(codes)
            watch("storing", len(part.rows))
        imported.append(ImportedFile(table.file, created, changed, unchanged))
    return ImportReport(imported, _still_undescribed(session, named))


def _still_undescribed(session: Session, named: Mapping[str, list[str]]) -> dict[str, list[str]]:
    """Leave out what a later part of the same file described."""
    undescribed = {(file, code_key(code)) for file, code in records.undescribed(session)}
    rest = {file: [code for code in codes if (file, code_key(code)) in undescribed] for file, codes in named.items()}
    return {file: codes for file, codes in rest.items() if codes}
