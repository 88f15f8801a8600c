"""Whether a database has the tables this code needs."""

from functools import cache

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from models.base import Session
from models.engine import MIGRATIONS


def is_current(session: Session) -> bool:
    """Compare the schema version of a database with that of the code.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.

    Returns
    -------
    bool
        False if the database is empty, older or newer.
    """
    return set(MigrationContext.configure(session.connection()).get_current_heads()) == _heads()


@cache
def _heads() -> set[str]:
    return set(ScriptDirectory(str(MIGRATIONS)).get_heads())
