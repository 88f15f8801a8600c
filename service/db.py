"""Sessions: the only place that commits. One request or job is one transaction."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar

from sqlalchemy.exc import DBAPIError, IntegrityError

from models.base import Busy, Conflict, Crossed, Session, StorageError, Unwritable
from models.engine import Engines
from models.queries.audit import open_trail
from models.queries.revisions import begin_writing, end_writing
from service.actors import acting
from service.settings import now

Result = TypeVar("Result")
ATTEMPTS = 3
LOCKED = "the database is locked by another writer"
SLOW = "the database took too long over a statement; nothing was stored"
CROSSED = "another change got in the way of this one"
FULL = "the disk of the database is full; nothing was stored"
READ_ONLY = "the database is read-only; nothing was stored"
TOLD_AS: dict[str, type[StorageError]] = {
    LOCKED: Busy,
    SLOW: Busy,
    CROSSED: Crossed,
    FULL: Unwritable,
    READ_ONLY: Unwritable,
}
WORDS = {"locked": LOCKED, "disk is full": FULL, "readonly database": READ_ONLY}  # of SQLite
CODES = {  # of PostgreSQL
    "55P03": LOCKED,
    "57014": SLOW,
    "40001": CROSSED,
    "40P01": CROSSED,
    "53100": FULL,
    "25006": READ_ONLY,
}


@contextmanager
def read_session(engines: Engines) -> Iterator[Session]:
    """Look at one state of the database; writing through it is refused.

    Yields
    ------
    Session
        Closed, and its transaction ended, on leaving.
    """
    with Session(engines.reader, expire_on_commit=False) as session:
        yield session


@contextmanager
def write_session(engines: Engines) -> Iterator[Session]:
    """Change the database: everything done inside is stored on leaving, or nothing is; one writer at a time.

    Yields
    ------
    Session
        Sees its own changes; nobody else does before it is left.

    Raises
    ------
    Conflict
        If a constraint of the database refuses a row.
    Busy
        If another writer did not let go of the database in time.
    Unwritable
        If it takes no changes.
    """  # noqa: DOC502 (they come from _as_storage_errors)
    with _as_storage_errors(), Session(engines.writer, expire_on_commit=False) as session:
        begun = begin_writing(session)
        open_trail(session, acting.get(), at=now())
        yield session
        end_writing(session, begun=begun)
        session.commit()


@contextmanager
def lease_session(engines: Engines) -> Iterator[Session]:
    """Say who does what, and until when: no part of the record.

    On a database server it doesn't wait for who writes the record, so that a lease can be renewed during a long
    import; and it doesn't renew the tags of answers.

    Yields
    ------
    Session
        Stored on leaving.

    Raises
    ------
    Busy
        If another writer did not let go of the rows, on SQLite of the database, in time.
    """  # noqa: DOC502 (comes from _as_storage_errors)
    with _as_storage_errors(), Session(engines.writer, expire_on_commit=False) as session:
        yield session
        session.commit()


@contextmanager
def trial_session(engines: Engines) -> Iterator[Session]:
    """Change the database to see what would happen, and keep nothing of it.

    Yields
    ------
    Session
        As `write_session` gives, but rolled back on leaving.

    Raises
    ------
    Conflict
        If a constraint of the database refuses a row.
    Busy
        If another writer did not let go of the database in time.
    Unwritable
        If it takes no changes.
    """  # noqa: DOC502 (they come from _as_storage_errors)
    with _as_storage_errors(), Session(engines.writer, expire_on_commit=False) as session:
        begin_writing(session)
        yield session
        session.rollback()


def again(work: Callable[[], Result], *, attempts: int = ATTEMPTS) -> Result:
    """Do something whole in sessions of its own, and again if it got in the way of another change.

    Parameters
    ----------
    work : callable
        Opens its own session.
    attempts : int
        How often at most.

    Returns
    -------
    Result
        Of the attempt that succeeded.

    Raises
    ------
    Crossed
        If none did.
    """  # noqa: DOC502 (comes from the last attempt)
    for _ in range(attempts - 1):
        with suppress(Crossed):
            return work()
    return work()


@contextmanager
def _as_storage_errors() -> Iterator[None]:
    try:
        yield
    except IntegrityError as error:
        raise Conflict(f"the database refuses this: {error.orig}") from error
    except DBAPIError as error:
        kind = _kind_of(error)
        if kind is None:
            raise
        raise TOLD_AS[kind](kind) from error


def _kind_of(error: DBAPIError) -> str | None:
    """Find what a database calls its trouble: PostgreSQL by its code, SQLite by its words."""
    code, words = getattr(error.orig, "sqlstate", None), str(error.orig)
    return CODES.get(code) if code else next((kind for said, kind in WORDS.items() if said in words), None)
