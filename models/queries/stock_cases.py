"""Stock questions as a run asked them, with demand from now on: what other questions are answered from."""

from sqlalchemy import delete, select
from sqlmodel import col

from models.base import NotFound, Session
from models.queries.run_inputs import RUNS_KEPT
from models.runs import Run, RunStockCases


def store_cases(session: Session, *, run_id: int, content: bytes) -> None:
    """Keep what a run asked and was told about demand.

    Parameters
    ----------
    session : Session
        The writer's that stores the results.
    run_id : int
        Which run.
    content : bytes
        Compressed; this module doesn't look inside.
    """
    session.add(RunStockCases(run_id=run_id, content=content))
    session.flush()


def drop_old_cases(session: Session) -> None:
    """Drop those of runs before the last `RUNS_KEPT` finished ones; call it once the run is finished.

    Parameters
    ----------
    session : Session
        A writer's.
    """
    session.flush()
    last = select(col(Run.id)).where(col(Run.status) == "finished").order_by(col(Run.id).desc()).limit(RUNS_KEPT)
    session.connection().execute(
        delete(RunStockCases).where(col(RunStockCases.run_id).not_in([*session.scalars(last)]))
    )


def stock_cases(session: Session, run: Run) -> bytes:
    """Find what a run asked.

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
    found = session.get(RunStockCases, run.id)
    if found is None:
        raise NotFound(f"what run {run.id} was asked about stock is not kept; POST /v1/runs, then ask again")
    return found.content
