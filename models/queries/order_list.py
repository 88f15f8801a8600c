"""What a finished run says is to be ordered or chased."""

from collections.abc import Sequence
from datetime import date

from sqlalchemy import func, tuple_
from sqlmodel import col, or_, select

from models.base import Session
from models.queries.results import same_code
from models.runs import Run, RunReorderPoint

Place = tuple[date, int]
"""Where a line stands: the day to act on it, then its id."""


def place_of(row: RunReorderPoint, *, as_of: date) -> Place:
    """Say where a line stands.

    Parameters
    ----------
    row : RunReorderPoint
        As stored.
    as_of : date
        Data cut-off of its run.

    Returns
    -------
    Place
        An order to chase stands at the data cut-off.
    """
    return row.order_by or as_of, row.id


def find_place(session: Session, row_id: int, *, as_of: date) -> Place | None:
    """Find where the line of an id stands.

    Parameters
    ----------
    session : Session
        A reader's.
    row_id : int
        Of the line.
    as_of : date
        Data cut-off of its run.

    Returns
    -------
    Place or None
        None if there is no such line.
    """
    row = session.get(RunReorderPoint, row_id)
    return None if row is None else place_of(row, as_of=as_of)


def order_list(
    session: Session, run_id: int, *, storeroom: str | None, after: Place | None, limit: int
) -> Sequence[RunReorderPoint]:
    """List what to order, what was accepted and is on no order yet, and which orders to chase, late ones first.

    An overdue order stands at the day of the data cut-off, between what should have been ordered before
    and what is to be ordered later.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    storeroom : str or None
        Only those of this storeroom.
    after : Place or None
        Of the last line already read; None to begin.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunReorderPoint
        By the day to act on, then in the order they were stored.
    """
    row = RunReorderPoint
    as_of = session.get_one(Run, run_id).as_of
    act_on = func.coalesce(col(row.order_by), as_of)
    overdue, accepted = (col(row.details)[name].as_float() for name in ("overdue_qty", "accepted_qty"))
    wanted = (
        select(row)
        .where(row.run_id == run_id, *same_code(row.storeroom_key, storeroom))
        .where(or_(col(row.proposed_quantity) > 0, overdue > 0, accepted > 0))
    )
    if after is not None:
        wanted = wanted.where(tuple_(act_on, col(row.id)) > tuple_(*after))
    return session.exec(wanted.order_by(act_on, col(row.id)).limit(limit)).all()
