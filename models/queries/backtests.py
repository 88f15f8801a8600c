"""Back-tests and what they found: stored whole, read page by page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import insert
from sqlmodel import col, select

from models.backtests import Backtest, BacktestScore
from models.base import Session, code_key
from models.queries.results import same_code


@dataclass(frozen=True, kw_only=True)
class ScoreFilter:
    """Which scores are asked for; None: any."""

    kit: str | None = None
    storeroom: str | None = None
    verdict: str | None = None


def store_backtest(
    session: Session,
    run_id: int,
    *,
    as_of: date,
    computed_at: datetime,
    code_version: str,
    horizon_days: int,
    summary: str,
    details: Mapping[str, object],
    scores: Sequence[Mapping[str, object]],
) -> int:
    """Store a back-test with its scores.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        The latest finished run.
    as_of : date
        Its data cut-off.
    computed_at : datetime
        When.
    code_version : str
        Of the code that computed it.
    horizon_days : int [days]
        How far each forecast of the plant looked.
    summary : str
        In a sentence or two.
    details : mapping
        What else is to be known of it.
    scores : sequence of mappings
        Columns of backtest_scores without ids and keys.

    Returns
    -------
    int
        Its id.
    """
    made = Backtest(
        run_id=run_id,
        as_of=as_of,
        computed_at=computed_at,
        code_version=code_version,
        horizon_days=horizon_days,
        summary=summary,
        details=dict(details),
    )
    session.add(made)
    session.flush()
    rows = [
        {
            **row,
            "backtest_id": made.id,
            "storeroom_key": code_key(str(row["storeroom"])),
            "kit_key": code_key(str(row["kit"])),
        }
        for row in scores
    ]
    if rows:
        session.connection().execute(insert(BacktestScore), rows)
    return made.id


def last_backtest(session: Session, run_id: int) -> Backtest | None:
    """Find the back-test that was the last when a run was.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    Backtest or None
        The newest stored with this run or an earlier one.
    """
    wanted = select(Backtest).where(col(Backtest.run_id) <= run_id)
    return session.exec(wanted.order_by(col(Backtest.id).desc()).limit(1)).one_or_none()


def list_scores(
    session: Session, backtest_id: int, wanted: ScoreFilter, *, after: int, limit: int
) -> Sequence[BacktestScore]:
    """List the scores of a back-test.

    Parameters
    ----------
    session : Session
        A reader's.
    backtest_id : int
        Whose.
    wanted : ScoreFilter
        Which of them.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of BacktestScore
        In the order they were stored.
    """
    conditions = [
        *same_code(BacktestScore.kit_key, wanted.kit),
        *same_code(BacktestScore.storeroom_key, wanted.storeroom),
        *([] if wanted.verdict is None else [col(BacktestScore.verdict) == wanted.verdict]),
    ]
    rows = (
        select(BacktestScore)
        .where(BacktestScore.backtest_id == backtest_id, BacktestScore.id > after, *conditions)
        .order_by(col(BacktestScore.id))
        .limit(limit)
    )
    return session.exec(rows).all()
