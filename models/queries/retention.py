"""What of old runs is dropped, and what never is.

Dropped are distributions: the probabilities of `run_demand`. Summaries, fits, findings, reorder points and what
changed stay for ever, and so does everything of the last runs and of every run that something kept points to.
"""

from sqlalchemy import Column, MetaData, Text, cast, null, select, update
from sqlmodel import SQLModel, col

from models.base import Session
from models.runs import Run, RunDemand

RUNS_KEPT_WHOLE = 30
RESULTS = "run_"
POINT_WITHOUT_KEEPING = frozenset({"backtests", "backtest_scores", "scheduled_jobs"})
"""A back-test and a scheduled job say which run they belong to; they don't stand on what it forecast."""


def keepers(metadata: MetaData) -> list[Column[int]]:
    """Find the columns by which a row keeps a run whole: acceptances, signatures, whatever points to a run.

    Parameters
    ----------
    metadata : MetaData
        Of all tables.

    Returns
    -------
    list of Column
        Those that refer to `runs`, but for the results of the run itself; by table and name.
    """
    return [
        key.parent
        for name, table in sorted(metadata.tables.items())
        if not name.startswith(RESULTS) and name not in POINT_WITHOUT_KEEPING
        for key in sorted(table.foreign_keys, key=lambda key: str(key.parent.name))
        if key.column.table.name == Run.__tablename__
    ]


def drop_old_distributions(session: Session, *, runs_kept: int = RUNS_KEPT_WHOLE) -> int:
    """Drop the distributions of old runs that nothing kept points to.

    Parameters
    ----------
    session : Session
        A writer's.
    runs_kept : int
        So many of the last finished runs stay whole.

    Returns
    -------
    int [rows]
        How many distributions were dropped.
    """
    last = select(col(Run.id)).where(col(Run.status) == "finished").order_by(col(Run.id).desc()).limit(runs_kept)
    kept = {*session.scalars(last)}
    for column in keepers(SQLModel.metadata):
        kept |= {*session.scalars(select(column).where(column.is_not(None)).distinct())}
    # an absent one may be a null of JSON, which isn't one of SQL
    has_one = cast(col(RunDemand.probabilities), Text) != "null"
    dropped = session.connection().execute(
        update(RunDemand).where(col(RunDemand.run_id).not_in(kept), has_one).values(probabilities=null())
    )
    return dropped.rowcount
