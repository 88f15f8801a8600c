"""The record as the files that an import takes: into a folder, or as a zip archive."""

import shutil
import tempfile
from collections.abc import Iterable, Mapping
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, Literal, cast
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from models.base import Session
from models.engine import Engines
from models.queries import facts, records
from models.queries.files import FILES
from service.csv_cells import day_columns
from service.csv_tables import Dialect, write_table
from service.db import read_session
from service.schemas.records import RECORDS
from service.unplaced_events import waiting_rows
from service.workbook_tables import write_workbook

FileFormat = Literal["csv", "xlsx"]
SPOOL_MEMORY = 1024 * 1024
BEGINNING_OF_TIME = (1980, 1, 1, 0, 0, 0)  # the same record gives the same bytes
NOT_RUNNABLE = 0o644 << 16


def export_folder(engines: Engines, folder: Path, *, file_format: FileFormat, dialect: Dialect) -> list[Path]:
    """Write every file of the record into a folder.

    Parameters
    ----------
    engines : Engines
        Of the database.
    folder : Path
        Made if it isn't there; files of the same names are replaced.
    file_format : `csv` or `xlsx`
        Of each file.
    dialect : `comma` or `semicolon`
        Of CSV.

    Returns
    -------
    list of Path
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    with read_session(engines) as session:
        for name in FILES:
            path = folder / f"{name}.{file_format}"
            with path.open("wb") as target:
                _write(session, name, target, file_format=file_format, dialect=dialect)
            paths.append(path)
    return paths


def export_archive(engines: Engines, *, file_format: FileFormat, dialect: Dialect) -> BinaryIO:
    """Write every file of the record into a zip archive; all of them show the same state of it.

    Parameters
    ----------
    engines : Engines
        Of the database.
    file_format : `csv` or `xlsx`
        Of each file.
    dialect : `comma` or `semicolon`
        Of CSV.

    Returns
    -------
    binary file
        At its beginning; the caller closes it.
    """
    spool = tempfile.SpooledTemporaryFile(SPOOL_MEMORY)  # noqa: SIM115 (the caller's)
    with read_session(engines) as session, ZipFile(spool, "w", ZIP_DEFLATED) as archive:
        archive.comment = (facts.get_fact(session, facts.INVENTED_PLANT) or "").encode()
        for name in FILES:
            entry = ZipInfo(f"{name}.{file_format}", BEGINNING_OF_TIME)
            entry.compress_type, entry.external_attr = ZIP_DEFLATED, NOT_RUNNABLE
            with archive.open(entry, "w", force_zip64=True) as target:
                _write(session, name, cast("BinaryIO", target), file_format=file_format, dialect=dialect)
    spool.seek(0)
    return cast("BinaryIO", spool)


def _write(session: Session, name: str, target: BinaryIO, *, file_format: FileFormat, dialect: Dialect) -> None:
    columns = list(RECORDS[name].__struct_fields__)
    rows: Iterable[Mapping[str, Any]] = records.read_all(session, name)
    if name == "events":
        rows = chain(rows, waiting_rows(session))
    if file_format == "xlsx":
        with write_workbook(columns, rows, days=day_columns(RECORDS[name])) as book:
            shutil.copyfileobj(book, target)
        return
    for line in write_table(columns, rows, dialect=dialect):
        target.write(line.encode())
