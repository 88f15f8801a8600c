"""Back up and bring back the whole database, while it is served; look whether it is sound."""

from pathlib import Path

from models import backups
from models.engine import Engines
from models.queries.integrity import expect_sound
from service.db import read_session


def back_up(url: str, path: Path) -> None:
    """Copy the database to a file, as it is at one moment.

    Parameters
    ----------
    url : str
        Of the database.
    path : Path
        Of the copy: there whole, or not at all.
    """
    backups.back_up(url, path)


def bring_back(url: str, path: Path) -> None:
    """Put a copy in the place of all that the database holds.

    Parameters
    ----------
    url : str
        Of the database.
    path : Path
        Of the copy.
    """
    backups.bring_back(url, path)


def check_integrity(engines: Engines) -> None:
    """Make sure that the database is sound, before anybody relies on it.

    Parameters
    ----------
    engines : Engines
        The database.

    Raises
    ------
    Damaged
        If it isn't.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        expect_sound(session)
