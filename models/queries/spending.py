"""What runs say kits will cost: rows after a cursor, in the order they were stored."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import col, select

from models.base import Session
from models.queries.results import same_code
from models.spending import RunSpend


@dataclass(frozen=True, kw_only=True)
class SpendFilter:
    """Which spending is asked for; periods must lie wholly within the two days, None means any."""

    bucket: str
    area: str | None = None
    kind: str | None = None
    starts_on: date | None = None
    ends_on: date | None = None


def list_spend(session: Session, run_id: int, wanted: SpendFilter, *, after: int, limit: int) -> Sequence[RunSpend]:
    """List what a run says kits will cost.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    wanted : SpendFilter
        Where and when.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunSpend
        In the order they were stored.
    """
    conditions = [
        col(RunSpend.run_id) == run_id,
        col(RunSpend.id) > after,
        col(RunSpend.bucket) == wanted.bucket,
        *same_code(RunSpend.area_key, wanted.area),
    ]
    if wanted.kind is not None:
        conditions.append(col(RunSpend.kind) == wanted.kind)
    if wanted.starts_on is not None:
        conditions.append(col(RunSpend.starts_on) >= wanted.starts_on)
    if wanted.ends_on is not None:
        conditions.append(col(RunSpend.ends_on) <= wanted.ends_on)
    return session.exec(select(RunSpend).where(*conditions).order_by(col(RunSpend.id)).limit(limit)).all()
