"""Renewals of two linked processes of one valve: the kit of the outer one (trim) renews the inner one (packing) too.

The outer one doesn't look at the inner one, and between its renewals the inner one runs from fresh, so all that is
needed are counts of the inner process up to each possible next renewal of the outer one.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from forecasting.arrays import FloatArray
from forecasting.renewals import MOST, Calendar, Expected, Operators, goes_on

__all__ = ["inner_counts", "inner_expected"]


def _not_before(first: FloatArray, early: FloatArray, passed: FloatArray) -> FloatArray:
    """P(no first renewal before the middle of each cell, and by the end), shape (rows, cells + 1).

    `passed` is what was renewed before the first of these cells.
    """
    summed = np.cumsum(first, axis=1)
    none = 1.0 - passed[:, None] - np.hstack([summed - first + early, summed[:, -1:]])
    return np.asarray(none)


def inner_expected(outer: Operators, inner: Operators) -> Expected:
    """Expect renewals of the inner process alone, not counting those the outer one brings.

    Parameters
    ----------
    outer, inner : Operators [1]
        Their starting rows belong together.

    Returns
    -------
    Expected [renewals]
        By starting age and cell.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.renewals import Calendar, Process, renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_expected(trim, packing).unplanned.sum().round(4)
    np.float64(0.1)
    """
    alive = _not_before(outer.first, outer.early, np.zeros(len(outer.first)))[:, :-1]
    start_alive = _not_before(outer.start, outer.start_early, np.zeros(len(outer.start)))[:, :-1]
    renewed, inner_renewed = outer.start @ outer.resolvent, inner.start @ inner.resolvent

    def expected(fresh: FloatArray, start: FloatArray) -> FloatArray:
        cycles = renewed @ (inner.resolvent @ fresh * alive)
        return (start + inner_renewed @ fresh) * start_alive + cycles

    return Expected(
        unplanned=expected(inner.failed, inner.start_failed), planned=expected(inner.planned, inner.start_planned)
    )


@dataclass(frozen=True, kw_only=True)
class _Alone:
    """P(m inner renewals in the window before the outer one's next), by m; shapes (rows, cells of the window + 1).

    The last column: no outer renewal up to the window's end.
    """

    inside: list[FloatArray]  # both fresh in a cell of the window
    before: list[FloatArray]  # both fresh in a cell before the window
    start: list[FloatArray]  # inner one at its starting age


def _alone(inner: Operators, begin: int, end: int) -> _Alone:
    """Count the inner process between two outer renewals."""
    before, inside = slice(0, begin), slice(begin, end)
    resolvent, cells = inner.resolvent[before, before], end - begin
    earlier = np.hstack([np.triu(np.ones((cells, cells)), 1), np.ones((cells, 1))])

    def halves(early: FloatArray) -> FloatArray:
        return np.hstack([early[:, inside], np.zeros((len(early), 1))])

    inside_none = _not_before(inner.first[inside, inside], inner.early[inside, inside], np.zeros(cells))
    passed = inner.first[before, before].sum(axis=1)
    before_none = resolvent @ _not_before(inner.first[before, inside], inner.early[before, inside], passed)
    start_passed = inner.start[:, before].sum(axis=1)
    start_none = _not_before(inner.start[:, inside], inner.start_early[:, inside], start_passed)
    counted = _Alone(
        inside=[inside_none], before=[before_none], start=[start_none + inner.start[:, before] @ before_none]
    )
    half, left = 1.0, 1.0 - inside_none[:, -1]
    while goes_on(left, counted.inside[-1][:, -1]) and len(counted.inside) < MOST:
        last = counted.inside[-1] * earlier
        to_before = resolvent @ (inner.first[before, inside] @ last + half * halves(inner.early[before]))
        to_start = inner.start[:, inside] @ last + half * halves(inner.start_early)
        counted.inside.append(inner.first[inside, inside] @ last + half * halves(inner.early[inside]))
        counted.before.append(to_before)
        counted.start.append(inner.start[:, before] @ to_before + to_start)
        half, left = 0.0, left - counted.inside[-1][:, -1]
    return counted


def inner_counts(outer: Operators, inner: Operators, calendar: Calendar, window: int) -> FloatArray:
    """Renewals in one window of the inner process alone: an outer renewal makes both fresh and isn't counted.

    Exact but for the cells: the outer's next renewal doesn't depend on the inner one, and before it the inner one is a
    process of its own.

    Parameters
    ----------
    outer, inner : Operators [1]
        Their starting rows belong together.
    calendar : Calendar [days]
        The cells.
    window : int [index]
        Which window.

    Returns
    -------
    float array, shape (rows, n) [1]
        P(0), P(1), ... by pair of starting ages; every row sums to 1.

    References
    ----------
    DEVELOPERS.md, "Joint renewal"; checked against simulation in tests/forecasting/test_renewals.py.

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.renewals import Calendar, Process, renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_counts(trim, packing, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    begin, end = calendar.span(window)
    before, inside = slice(0, begin), slice(begin, end)
    alone, cells = _alone(inner, begin, end), end - begin
    next_inside, next_before, next_start = (
        outer.first[inside, inside],
        outer.first[before, inside],
        outer.start[:, inside],
    )
    none_inside = 1.0 - next_inside.sum(axis=1)
    none_before = 1.0 - outer.first[before, :end].sum(axis=1)
    none_start = 1.0 - outer.start[:, :end].sum(axis=1)
    pivot = np.eye(cells) - next_inside * alone.inside[0][:, :cells]
    within: list[FloatArray] = []
    columns: list[FloatArray] = []
    left = np.ones(len(outer.start))
    while (not columns or goes_on(left, columns[-1])) and len(columns) < MOST:
        n = len(columns)
        fits = range(min(n, len(alone.inside) - 1) + 1)
        last = n < len(alone.inside)
        known = sum((next_inside * alone.inside[m][:, :cells] @ within[n - m] for m in fits if m), np.zeros(cells))
        known = known + none_inside * alone.inside[n][:, cells] if last else known
        within.append(solve_triangular(pivot, known, lower=False))
        ahead = sum((next_before * alone.before[m][:, :cells] @ within[n - m] for m in fits), np.zeros(begin))
        ahead = ahead + none_before * alone.before[n][:, cells] if last else ahead
        column = sum((next_start * alone.start[m][:, :cells] @ within[n - m] for m in fits), np.zeros(len(left)))
        column = column + none_start * alone.start[n][:, cells] if last else column
        columns.append(column + outer.start[:, before] @ (outer.resolvent[before, before] @ ahead))
        left = left - columns[-1]
    return np.asarray(np.clip(np.stack(columns, axis=1), 0.0, 1.0))
