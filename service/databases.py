"""A database for the length of a command."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from sqlalchemy.exc import OperationalError

from models.base import Conflict
from models.engine import Engines, migrate, open_engines
from service.use_cases.check_ready import is_migrated
from service.use_cases.keep_copies import check_integrity


@contextmanager
def opened(url: str) -> Iterator[Engines]:
    """Open a database; an SQLite file is made, or brought to this version, first.

    Parameters
    ----------
    url : str
        As for `models.engine.open_engines`.

    Yields
    ------
    Engines
        Closed on leaving.

    Raises
    ------
    Conflict
        If a database server's is not of this version.
    """
    if url.startswith("sqlite"):
        migrate(url)
    engines = open_engines(url)
    try:
        if not is_migrated(engines):
            raise Conflict("the database is not migrated; run: valve-kits migrate")
        yield engines
    finally:
        engines.reader.dispose()


def expect_sound_or_absent(url: str) -> None:
    """Make sure that the database is sound before it is served; one that can't be reached yet is asked later.

    Parameters
    ----------
    url : str
        Of the database.

    Raises
    ------
    Damaged
        If it isn't.
    """  # noqa: DOC502 (comes from the query)
    engines = open_engines(url)
    try:
        with suppress(OperationalError):
            check_integrity(engines)
    finally:
        engines.reader.dispose()
