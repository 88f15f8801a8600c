"""Writing, one at a time on either database, and the token that changes with everything written."""

import secrets

from sqlalchemy import text

from models.base import Session
from models.engine import BUSY_TIMEOUT_MS
from models.queries import facts

DATA_REVISION = "data_revision"
WRITER_LOCK = 0x6B_69_74_73  # any number will do, as long as it is ours on that PostgreSQL server
TOKEN_BYTES = 8


def begin_writing(session: Session) -> int:
    """Wait until no one else writes; readers are not kept waiting.

    SQLite has the lock already, taken as the transaction began. Without one, two imports on PostgreSQL that
    name the same new code would refuse each other, and two that name them in another order would deadlock.

    Parameters
    ----------
    session : Session
        Of a write transaction, nothing done in it yet.

    Returns
    -------
    int
        For `end_writing`.
    """
    if _on_postgresql(session):
        session.execute(text(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}"))
        session.execute(text(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})"))
    return _written(session)


def end_writing(session: Session, *, begun: int) -> None:
    """Renew the token if anything was written.

    Parameters
    ----------
    session : Session
        Of a write transaction, about to be committed.
    begun : int
        What `begin_writing` gave.
    """
    session.flush()
    if _written(session) != begun:
        facts.set_fact(session, DATA_REVISION, secrets.token_hex(TOKEN_BYTES))


def data_revision(session: Session) -> str:
    """Say in which state the database is.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    str
        Another one after everything that was written; empty if nothing ever was.
    """
    return facts.get_fact(session, DATA_REVISION) or ""


def _on_postgresql(session: Session) -> bool:
    return session.get_bind().dialect.name == "postgresql"


def _written(session: Session) -> int:
    # PostgreSQL gives a transaction a number when it first writes, SQLite counts the rows of a connection
    statement = (
        "SELECT pg_current_xact_id_if_assigned() IS NOT NULL" if _on_postgresql(session) else "SELECT total_changes()"
    )
    return int(session.execute(text(statement)).scalar_one())
