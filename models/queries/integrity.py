"""Whether a database is what it was written as."""

from sqlalchemy import text
from sqlalchemy.exc import DatabaseError, OperationalError

from models.base import Damaged, Session

BROKEN_INDEXES = "SELECT indexrelid::regclass::text FROM pg_index WHERE NOT indisvalid OR NOT indisready"


def expect_sound(session: Session) -> None:
    """Let the database check itself: pages, rows and references on SQLite, indexes on PostgreSQL.

    Parameters
    ----------
    session : Session
        A reader's.

    Raises
    ------
    Damaged
        If it isn't; the message names the first fault.
    OperationalError
        If it can't be reached.
    """
    try:
        faults = _on_sqlite(session) if session.get_bind().dialect.name == "sqlite" else _on_postgresql(session)
    except OperationalError:
        raise
    except DatabaseError as error:
        raise Damaged(f"the database is damaged: {error.orig}; bring back a backup") from error
    if faults:
        raise Damaged(f"the database is damaged: {faults[0]}; bring back a backup")


def _on_sqlite(session: Session) -> list[str]:
    pages = [str(row[0]) for row in session.execute(text("PRAGMA quick_check"))]
    dangling = session.execute(text("PRAGMA foreign_key_check")).all()
    return [fault for fault in pages if fault != "ok"] + [f"a row of {row[0]} refers to nothing" for row in dangling]


def _on_postgresql(session: Session) -> list[str]:
    return [f"index {name} is not valid" for name in session.scalars(text(BROKEN_INDEXES))]
