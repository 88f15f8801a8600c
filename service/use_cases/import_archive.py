"""Import a zip archive of files of the record: all of them or none."""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import date
from pathlib import Path, PurePosixPath
from tempfile import TemporaryFile
from typing import BinaryIO, cast
from zipfile import ZipFile, ZipInfo

from models.engine import Engines
from service.local_dates import DateOrder
from service.spooled_tables import NO_LIMIT, ErrorList
from service.table_lines import row_error
from service.use_cases.import_files import ImportRejected, ImportReport, check_files, import_files
from service.zip_limits import ARCHIVE_LIMITS, ZipRefused, check_zip, copy_entry

ARCHIVE = "the archive"
LEFT_BEHIND = "__MACOSX"  # by a system that packs more than it was asked to


def import_archive(
    engines: Engines, stream: BinaryIO, *, today: date, dates: DateOrder, most_rows: int = NO_LIMIT
) -> ImportReport:
    """Bring the files of an archive into the record, all of them or none.

    Parameters
    ----------
    engines : Engines
        Of the database.
    stream : binary file
        A zip archive; a folder in it counts for nothing, the name of a file says which it is.
    today : date
        The day of the import.
    dates : `iso`, `dmy` or `mdy`
        As for `import_files`.
    most_rows : int [rows]
        As for `import_files`.

    Returns
    -------
    ImportReport
        As of `import_files`.

    Raises
    ------
    ImportRejected
        If the archive is refused, or anything in its files is wrong.
    TooManyRows
        If they hold more rows than are taken.
    """  # noqa: DOC502 (raised by unpacked)
    with unpacked(stream) as files:
        return import_files(engines, files, today=today, dates=dates, most_rows=most_rows)


def check_archive(
    engines: Engines, stream: BinaryIO, *, today: date, dates: DateOrder, most_rows: int = NO_LIMIT
) -> ImportReport:
    """Say what an import of an archive would do, and change nothing.

    Parameters
    ----------
    engines : Engines
        Of the database.
    stream : binary file
        As for `import_archive`.
    today : date
        The day of the import.
    dates : `iso`, `dmy` or `mdy`
        As for `import_files`.
    most_rows : int [rows]
        As for `import_files`.

    Returns
    -------
    ImportReport
        What `import_archive` would return now.

    Raises
    ------
    ImportRejected
        If the archive is refused, or anything in its files is wrong.
    TooManyRows
        If they hold more rows than are taken.
    """  # noqa: DOC502 (raised by unpacked)
    with unpacked(stream) as files:
        return check_files(engines, files, today=today, dates=dates, most_rows=most_rows)


@contextmanager
def unpacked(stream: BinaryIO) -> Iterator[Mapping[str, BinaryIO | Path]]:
    """Unpack an archive into files of their own.

    Parameters
    ----------
    stream : binary file
        As for `import_archive`.

    Yields
    ------
    mapping
        As `import_files` takes them; gone on leaving.

    Raises
    ------
    ImportRejected
        If the archive is refused.
    """  # noqa: DOC501 (told by _rejected)
    with ExitStack() as stack:
        try:
            check_zip(stream, ARCHIVE_LIMITS)
            archive = stack.enter_context(ZipFile(stream))
            yield {name: _copied(archive, entry, stack) for name, entry in _files(archive)}
        except ZipRefused as refused:
            raise _rejected(str(refused), "a zip archive of files of the record") from refused


def _files(archive: ZipFile) -> Iterator[tuple[str, ZipInfo]]:
    seen: set[str] = set()
    for entry in archive.infolist():
        path = PurePosixPath(entry.filename)
        if entry.is_dir() or path.parts[0] == LEFT_BEHIND or path.name.startswith("."):
            continue
        if path.name.casefold() in seen:
            raise _rejected(entry.filename, "each file once")
        seen.add(path.name.casefold())
        yield path.name, entry
    if not seen:
        raise _rejected("nothing in it", "files of the record, as valves.csv")


def _copied(archive: ZipFile, entry: ZipInfo, stack: ExitStack) -> BinaryIO:
    target = cast("BinaryIO", stack.enter_context(TemporaryFile()))  # noqa: SIM115 (the stack is one)
    copy_entry(archive, entry, target)
    return target


def _rejected(value: str, expected: str) -> ImportRejected:
    errors = ErrorList()
    errors.add([row_error(ARCHIVE, None, None, value, expected)])
    return ImportRejected(errors)
