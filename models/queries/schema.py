"""Whether a database has the tables this code needs, and takes changes."""

import os
import shutil
from functools import cache
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from models.base import Session
from models.engine import MIGRATIONS

LEAST_FREE = 16 * 1024 * 1024  # bytes; less may not hold the next run


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


def obstacle_to_writing(session: Session) -> str | None:
    """Say why a database would take no change.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    str or None
        None if it would take one.
    """
    if session.get_bind().dialect.name == "postgresql":
        setting = "SELECT pg_is_in_recovery() OR current_setting('default_transaction_read_only') = 'on'"
        return "the database is read-only" if session.execute(text(setting)).scalar_one() else None
    place = str(session.execute(text("SELECT file FROM pragma_database_list WHERE name = 'main'")).scalar_one())
    if not os.access(place, os.W_OK):
        return "the database is read-only"
    free = shutil.disk_usage(Path(place).parent).free
    return None if free >= LEAST_FREE else "the disk of the database is full"
