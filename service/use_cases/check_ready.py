"""Whether the database can be worked with."""

from models.base import Unwritable
from models.engine import Engines
from models.queries.schema import is_current, obstacle_to_writing
from service.db import read_session


def is_migrated(engines: Engines) -> bool:
    """Say whether the database has the tables this version of the code needs.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    bool
        False if `valve-kits migrate` has to be run.
    """
    with read_session(engines) as session:
        return is_current(session)


def expect_writable(engines: Engines) -> None:
    """Make sure that the database takes changes, without making one: a long import is none of its faults.

    Parameters
    ----------
    engines : Engines
        The database.

    Raises
    ------
    Unwritable
        If it takes none: its disk is full, or it is read-only.
    """
    with read_session(engines) as session:
        obstacle = obstacle_to_writing(session)
    if obstacle is not None:
        raise Unwritable(obstacle)
