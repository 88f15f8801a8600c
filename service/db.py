"""Sessions: the only place that commits. One request or job is one transaction."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import IntegrityError, OperationalError

from models.base import Busy, Conflict, Session
from models.engine import Engines
from models.queries.audit import open_trail
from models.queries.revisions import begin_writing, end_writing
from service.actors import acting
from service.settings import now


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
    """  # noqa: DOC502 (both come from _as_storage_errors)
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
    """  # noqa: DOC502 (both come from _as_storage_errors)
    with _as_storage_errors(), Session(engines.writer, expire_on_commit=False) as session:
        begin_writing(session)
        yield session
        session.rollback()


@contextmanager
def _as_storage_errors() -> Iterator[None]:
    try:
        yield
    except IntegrityError as error:
        raise Conflict(f"the database refuses this: {error.orig}") from error
    except OperationalError as error:
        if "locked" in str(error.orig):
            raise Busy("the database is locked by another writer") from error
        raise
