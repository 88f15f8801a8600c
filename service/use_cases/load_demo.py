"""A database for the invented plant, and for nothing else."""

from models.base import Conflict
from models.engine import Engines
from models.queries import facts
from service.db import write_session

NOTICE = "invented plant: names, numbers and history are made up; order nothing by it"


def claim_database(engines: Engines) -> None:
    """Mark a database as that of the invented plant; everything that leaves it says so from then on.

    Parameters
    ----------
    engines : Engines
        The database.

    Raises
    ------
    Conflict
        If it holds anything of another plant.
    """
    with write_session(engines) as session:
        if facts.get_fact(session, facts.INVENTED_PLANT) is None and facts.holds_rows(session):
            raise Conflict("this database holds another plant's record; the demo needs one of its own")
        facts.set_fact(session, facts.INVENTED_PLANT, NOTICE)
