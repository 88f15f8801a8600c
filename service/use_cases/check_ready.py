"""Whether the database can be worked with."""

from models.engine import Engines
from models.queries.schema import is_current
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
