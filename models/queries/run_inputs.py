"""What runs read: the record as it was then, one copy for all runs that read the same."""

from sqlalchemy import delete, select
from sqlmodel import col

from models.base import NotFound, Session
from models.runs import Run, RunInput

RUNS_KEPT = 10
"""So many finished runs keep what they read; asked about an older one, its numbers are there, but not the record."""


def store_input(session: Session, *, digest: str, content: bytes) -> None:
    """Keep what a run read, unless another run read the same.

    Parameters
    ----------
    session : Session
        The writer's that stores the results.
    digest : str
        The run's `input_digest`.
    content : bytes
        Compressed; this module doesn't look inside.
    """
    if session.get(RunInput, digest) is None:
        session.add(RunInput(digest=digest, content=content))
        session.flush()


def drop_old_inputs(session: Session) -> None:
    """Drop what only runs before the last `RUNS_KEPT` finished ones read; call it once the run is finished.

    Parameters
    ----------
    session : Session
        A writer's.
    """
    session.flush()
    last = (
        select(col(Run.input_digest)).where(col(Run.status) == "finished").order_by(col(Run.id).desc()).limit(RUNS_KEPT)
    )
    kept = [digest for digest in session.scalars(last) if digest is not None]
    session.connection().execute(delete(RunInput).where(col(RunInput.digest).not_in(kept)))


def run_input(session: Session, run: Run) -> bytes:
    """Find what a run read.

    Parameters
    ----------
    session : Session
        A reader's.
    run : Run
        Finished.

    Returns
    -------
    bytes
        As stored.

    Raises
    ------
    NotFound
        If it is an old run, or of a version that didn't keep it.
    """
    content = kept_input(session, run)
    if content is None:
        raise NotFound(f"what run {run.id} read is no longer kept; POST /v1/runs, then ask again")
    return content


def kept_input(session: Session, run: Run) -> bytes | None:
    """Find what a run read, if it is still kept.

    Parameters
    ----------
    session : Session
        A reader's.
    run : Run
        Finished.

    Returns
    -------
    bytes or None
        As stored.
    """
    found = session.get(RunInput, run.input_digest)
    return None if found is None else found.content
