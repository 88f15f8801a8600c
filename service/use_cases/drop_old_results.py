"""Drop what of old runs nobody needs any more."""

from models.engine import Engines
from models.queries import audit
from models.queries.retention import drop_old_distributions
from service.db import write_session


def drop_old_results(engines: Engines) -> int:
    """Drop the distributions of old runs; what stays is said in `models/queries/retention.py`.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    int [rows]
        How many were dropped.
    """
    with write_session(engines) as session:
        dropped = drop_old_distributions(session)
        if dropped:
            audit.note(session, "drop old distributions", {"rows": dropped})
    return dropped
