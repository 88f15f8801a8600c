"""Which of two linked processes comes first where both are due as planned within one cell.

What failed in a cell did so in its middle, on average, so half of what is then planned for one cell comes before. Two
dates that both run on from one renewal, or from known ages, keep their distance, though: theirs is put right here.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.calendars import INSTANT, Calendar
from forecasting.renewals import Operators

__all__ = ["Tie", "fresh_ties", "start_ties"]

HALF = 0.5


@dataclass(frozen=True, kw_only=True)
class Tie:
    """What follows, before the outer planned renewal, on an unbroken row of planned inner ones (of none, the first).

    Parameters
    ----------
    moved : float array, shape (rows, cells) [1]
        By cell of the outer one: P(an inner renewal comes before it), less what the cells say.
    planned : float array, shape (rows, cells) [1]
        The part of `moved` that is planned.
    taken : float array, shape (rows, cells) [1]
        P(the next planned one of the row takes place in each cell).
    due : float array, shape (rows,) [days]
        Date of that one.
    """

    moved: FloatArray
    planned: FloatArray
    taken: FloatArray
    due: FloatArray


def before_in_cell(calendar: Calendar) -> FloatArray:
    """Share of a cell's planned renewals that comes before the middle: none on a date of its own, shape (cells,)."""
    return np.where(calendar.instant, 0.0, HALF)


@dataclass(frozen=True, kw_only=True)
class _Row:
    """An unbroken row of planned inner renewals: the last, or the begin, and what follows it; shapes (rows, cells)."""

    chance: FloatArray  # of having come so far, shape (rows,)
    since: FloatArray  # date of the last one, shape (rows,)
    ages: FloatArray  # on that date, shape (rows, items)
    due: FloatArray  # date of the next one, shape (rows,)
    taken: FloatArray  # by cell of the next one
    before: FloatArray  # P(some renewal before the middle of each cell), as the cells have it


def _ties(outer: FloatArray, outer_due: FloatArray, row: _Row, inner: Operators, calendar: Calendar) -> Iterator[Tie]:
    """Compare the outer date with each of the inner row."""
    share, process = before_in_cell(calendar), inner.process
    events = np.triu(np.cumsum(inner.first, axis=1) - inner.first + inner.early + share * inner.planned, 1)
    meets = np.where(np.isfinite(outer_due), outer_due, 0.0)
    while row.chance.any() and outer.any():
        survived = process.survival(row.ages, np.maximum(meets - row.since, 0.0))
        truly = np.where(row.due < meets - INSTANT, 1.0, np.where(row.since < meets, 1.0 - survived, 0.0))
        planned = np.where(row.due < meets - INSTANT, row.taken.sum(axis=1), 0.0)
        before = np.cumsum(row.taken, axis=1) - (1.0 - share) * row.taken
        yield Tie(
            moved=outer * ((row.chance * truly)[:, None] - row.before),
            planned=outer * (planned[:, None] - before),
            taken=row.taken,
            due=row.due,
        )
        row = _Row(
            chance=row.taken.sum(axis=1),
            since=row.due,
            ages=np.zeros_like(row.ages),
            due=process.due(row.due, np.zeros(len(row.due))),
            taken=row.taken @ inner.planned,
            before=row.taken @ events,
        )


def fresh_ties(outer: Operators, inner: Operators, calendar: Calendar) -> list[Tie]:
    """Compare planned dates that run on from one outer renewal.

    Parameters
    ----------
    outer, inner : Operators [1]
        Of the two processes.
    calendar : Calendar [days]
        The cells.

    Returns
    -------
    list of Tie [1]
        One per planned inner renewal in a row; rows are cells.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> from forecasting.renewals import renewal_operators
    >>> calendar, seat = Calendar.of([(0.0, 70.0)], intervals=[30.0]), Weibull(scale=1e9, shape=2.0)
    >>> plan = renewal_operators(Process(lifetimes=(seat,), interval=30.0), calendar, np.zeros((1, 1)))
    >>> fresh_ties(plan, plan, calendar)[0].moved.min().round(2)
    np.float64(-0.5)
    """
    share, cells = before_in_cell(calendar), len(calendar.left)
    row = _Row(
        chance=np.ones(cells),
        since=calendar.middle,
        ages=np.zeros((cells, len(inner.process.lifetimes))),
        due=inner.due,
        taken=inner.planned,
        before=np.cumsum(inner.first, axis=1) - inner.first + inner.early + share * inner.planned,
    )
    return list(_ties(outer.planned, outer.due, row, inner, calendar)) if inner.planned.any() else []


def start_ties(outer: Operators, inner: Operators, calendar: Calendar) -> list[Tie]:
    """Compare planned dates that run on from the starting ages.

    Parameters
    ----------
    outer, inner : Operators [1]
        Their starting rows belong together.
    calendar : Calendar [days]
        The cells.

    Returns
    -------
    list of Tie [1]
        One per planned inner renewal in a row; rows are starting ages.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> from forecasting.renewals import renewal_operators
    >>> calendar, seat = Calendar.of([(0.0, 70.0)], intervals=[30.0]), Weibull(scale=1e9, shape=2.0)
    >>> plan = renewal_operators(Process(lifetimes=(seat,), interval=30.0), calendar, np.array([[12.0]]))
    >>> round(float(start_ties(plan, plan, calendar)[0].moved.sum()), 2)
    -0.5
    """
    share, waiting = before_in_cell(calendar), np.asarray(np.isinf(inner.ages).any(axis=1))
    row = _Row(
        chance=np.where(waiting, 0.0, 1.0),
        since=np.zeros(len(inner.ages)),
        ages=np.where(waiting[:, None], 0.0, inner.ages),
        due=inner.start_due,
        taken=inner.start_planned,
        before=np.where(
            waiting[:, None],
            0.0,
            np.cumsum(inner.start, axis=1) - inner.start + inner.start_early + share * inner.start_planned,
        ),
    )
    return list(_ties(outer.start_planned, outer.start_due, row, inner, calendar)) if inner.planned.any() else []
