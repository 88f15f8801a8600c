"""Renewals of two linked processes of one valve: the kit of the outer one (trim) renews the inner one (packing) too.

The outer one doesn't look at the inner one, and between its renewals the inner one runs from fresh, so all that is
needed are counts of the inner process up to each possible next renewal of the outer one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import solve_triangular

from forecasting.arrays import FloatArray
from forecasting.calendars import INSTANT, Calendar
from forecasting.renewals import MOST, Expected, Operators, by_count, goes_on
from forecasting.ties import HALF, Tie, before_in_cell, fresh_ties, start_ties

__all__ = ["either_counts", "inner_counts", "inner_expected"]


def _none(first: FloatArray, own: FloatArray, passed: FloatArray) -> FloatArray:
    """P(no first renewal up to an event in each cell, and by the end), shape (rows, cells + 1).

    `own` is, by cell of the event, the part of the cell's first renewals that comes before it; `passed` is what was
    renewed before the first of these cells.
    """
    summed = np.cumsum(first, axis=1)
    return np.asarray(1.0 - passed[:, None] - np.hstack([summed - first + own, summed[:, -1:]]))


def _met(
    tie: Tie, outer: Operators, ages: FloatArray, *, since: FloatArray, due: FloatArray, alive: FloatArray
) -> FloatArray:
    """Planned inner renewals before any outer one, less what the cells say; shape (rows, cells)."""
    chance = tie.taken.sum(axis=1)
    ahead = np.where(np.isfinite(tie.due), np.maximum(tie.due - since, 0.0), 0.0)
    truly = np.where(tie.due < due - INSTANT, chance * outer.process.survival(ages, ahead), 0.0)
    missed = truly - (tie.taken * alive).sum(axis=1)
    share = np.divide(tie.taken, chance[:, None], out=np.zeros_like(tie.taken), where=chance[:, None] != 0.0)
    return np.asarray(share * missed[:, None])


def inner_expected(outer: Operators, inner: Operators, calendar: Calendar) -> Expected:
    """Expect renewals of the inner process alone, not counting those the outer one brings.

    Parameters
    ----------
    outer, inner : Operators [1]
        Their starting rows belong together.
    calendar : Calendar [days]
        The cells.

    Returns
    -------
    Expected [renewals]
        By starting age and cell.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> from forecasting.renewals import renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_expected(trim, packing, calendar).unplanned.sum().round(4)
    np.float64(0.1)
    """
    share = before_in_cell(calendar)
    renewed, inner_renewed = outer.start @ outer.resolvent, inner.start @ inner.resolvent

    def alive(first: FloatArray, early: FloatArray, planned: FloatArray) -> FloatArray:
        # on a date of its own the outer one is first
        own = np.where(calendar.instant, first, early + share * planned)
        return _none(first, own, np.zeros(len(own)))[:, :-1]

    fresh_alive = alive(outer.first, outer.early, outer.planned)
    start_alive = alive(outer.start, outer.start_early, outer.start_planned)

    def expected(fresh: FloatArray, start: FloatArray) -> FloatArray:
        cycles = renewed @ (inner.resolvent @ fresh * fresh_alive)
        return np.asarray((start + inner_renewed @ fresh) * start_alive + cycles)

    unplanned, planned = expected(inner.failed, inner.start_failed), expected(inner.planned, inner.start_planned)
    waiting = np.isinf(outer.ages)
    ages, now = np.where(waiting, 0.0, outer.ages), np.zeros(len(outer.ages))
    # what awaits renewal is renewed before anything planned
    start_due = np.where(waiting.any(axis=1), 0.0, outer.start_due)
    for tie in start_ties(outer, inner, calendar):
        unplanned = unplanned + tie.moved - tie.planned
        planned = planned + _met(tie, outer, ages, since=now, due=start_due, alive=start_alive)
    new = np.zeros((len(outer.first), ages.shape[1]))
    for tie in fresh_ties(outer, inner, calendar):
        unplanned = unplanned + renewed @ (tie.moved - tie.planned)
        planned = planned + renewed @ _met(tie, outer, new, since=calendar.middle, due=outer.due, alive=fresh_alive)
    return Expected(unplanned=unplanned, planned=planned)


@dataclass(frozen=True, kw_only=True)
class _Alone:
    """P(m inner renewals in the window before the outer one's next), by m; shapes (rows, cells + 1).

    By cell of the outer renewal in the window; the last column: no outer renewal up to the window's end.
    """

    inside: list[FloatArray]  # both fresh in a cell of the window
    before: list[FloatArray]  # both fresh in a cell before the window
    start: list[FloatArray]  # inner one at its starting age


def _alone(inner: Operators, calendar: Calendar, window: int) -> _Alone:
    """Count the inner process between two outer renewals."""
    begin, end = calendar.span(window)
    before, inside = slice(0, begin), slice(begin, end)
    resolvent, cells = inner.resolvent[before, before], end - begin
    earlier = np.hstack([np.triu(np.ones((cells, cells)), 1), np.ones((cells, 1))])
    counted, share = calendar.counted(window), before_in_cell(calendar)
    first = inner.first[inside, inside]
    own = (inner.early + share * inner.planned)[:, inside]
    own_start = (inner.start_early + share * inner.start_planned)[:, inside]
    passed = [inner.first[inside, :begin], inner.first[before, before], inner.start[:, before]]
    none = [
        _none(rows, part, gone.sum(axis=1))
        for rows, part, gone in zip(
            (first, inner.first[before, inside], inner.start[:, inside]),
            (own[inside], own[before], own_start),
            passed,
            strict=True,
        )
    ]
    halves = [np.hstack([part, np.zeros((len(part), 1))]) for part in (own[inside], own[before], own_start)]
    # by cell of the first renewal in the window, whatever happened before it
    reached = resolvent @ inner.first[before, inside]
    reached_start = inner.start[:, before] @ reached + inner.start[:, inside]
    no_more: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for ended_inside, ended_before, ended in (none, halves):
        renewed = resolvent @ ended_before
        no_more.append((ended_inside, renewed, inner.start[:, before] @ renewed + ended))
    counts, last, left = _Alone(inside=[], before=[], start=[]), np.zeros((cells, cells + 1)), np.ones(cells)
    while (not counts.inside or goes_on(left, counts.inside[-1][:, -1])) and len(counts.inside) < MOST:
        fewer = counted[:, None] * last
        to_inside, to_before, to_start = no_more.pop(0) if no_more else (0.0, 0.0, 0.0)
        now = _passed_on(first @ fewer + to_inside, first, counted, earlier)
        step = fewer + (1.0 - counted)[:, None] * now * earlier
        counts.inside.append(now)
        counts.before.append(reached @ step + to_before)
        counts.start.append(reached_start @ step + to_start)
        last, left = now * earlier, left - now[:, -1]
    return counts


def _passed_on(values: FloatArray, first: FloatArray, counted: FloatArray, earlier: FloatArray) -> FloatArray:
    """Do as `passed_on`, where what follows must come before the outer renewal."""
    for cell in np.flatnonzero(counted == 0.0)[::-1]:
        values = values + np.multiply.outer(first[:, cell], values[cell] * earlier[cell])
    return values


def _steps(following: FloatArray, alone: list[FloatArray]) -> list[FloatArray]:
    """P(m inner renewals, then the outer one's next in each cell of the window), by m; shapes (rows, cells)."""
    return [following * count[:, :-1] for count in alone]


def _put_right(
    steps: list[FloatArray], ties: Sequence[Tie], rows: slice, inside: slice, counted: FloatArray
) -> list[FloatArray]:
    """Give what ties move from one count to the next."""
    met = np.zeros(steps[0].shape[0], dtype=np.int64)
    right = [*steps, *(np.zeros_like(steps[0]) for _ in ties)]
    for tie in ties:
        for m in np.unique(met):
            gained = np.where((met == m)[:, None], tie.moved[rows, inside], 0.0)
            right[m], right[m + 1] = right[m] - gained, right[m + 1] + gained
        # the cells of one planned renewal lie on one side of every edge
        met = met + (tie.taken[rows, inside] @ counted > HALF * tie.taken[rows].sum(axis=1))
    return right


def _joined(
    steps: list[FloatArray], ends: list[FloatArray], within: list[FloatArray], n: int, brings: FloatArray
) -> FloatArray:
    """P(n renewals): m before the outer one's next, that one if it counts, the rest after it, or n and no outer one."""
    whole = ends[n] if n < len(ends) else np.zeros(len(ends[0]))
    for m in range(min(n, len(steps) - 1) + 1):
        if n - m < len(within):
            whole = whole + steps[m] @ ((1.0 - brings) * within[n - m])
        if n > m:
            whole = whole + steps[m] @ (brings * within[n - m - 1])
    return whole


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
    DEVELOPERS.md, "Joint renewal"; checked against simulation in tests/forecasting/test_joint_renewals.py.

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> from forecasting.renewals import renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_counts(trim, packing, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    begin, end = calendar.span(window)
    return _counts(outer, inner, calendar, window, brings=np.zeros(end - begin))


def either_counts(outer: Operators, inner: Operators, calendar: Calendar, window: int) -> FloatArray:
    """Renewals in one window of either process: an outer renewal makes both fresh and is counted once.

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
    DEVELOPERS.md, "Joint renewal"; checked against simulation in tests/forecasting/test_joint_renewals.py.

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> from forecasting.renewals import renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> seat = renewal_operators(Process(lifetimes=(Weibull(scale=1400.0, shape=1.0),)), calendar, new)
    >>> either_counts(seat, seat, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    return _counts(outer, inner, calendar, window, brings=calendar.counted(window))


@lru_cache(maxsize=2)
def _ties_of(outer: Operators, inner: Operators, calendar: Calendar) -> tuple[list[Tie], list[Tie]]:
    """Compare planned dates once for all windows."""
    return fresh_ties(outer, inner, calendar), start_ties(outer, inner, calendar)


def _counts(outer: Operators, inner: Operators, calendar: Calendar, window: int, *, brings: FloatArray) -> FloatArray:
    """Renewals in one window, with the outer ones in the cells where they count."""
    begin, end = calendar.span(window)
    before, inside, cells = slice(0, begin), slice(begin, end), end - begin
    alone, counted = _alone(inner, calendar, window), calendar.counted(window)
    fresh, start = _ties_of(outer, inner, calendar)
    none, none_start = 1.0 - outer.first[:, :end].sum(axis=1), 1.0 - outer.start[:, :end].sum(axis=1)
    steps_inside = _put_right(_steps(outer.first[inside, inside], alone.inside), fresh, inside, inside, counted)
    steps_before = _put_right(_steps(outer.first[before, inside], alone.before), fresh, before, inside, counted)
    steps_start = _put_right(_steps(outer.start[:, inside], alone.start), start, slice(None), inside, counted)
    ends_inside = [none[inside] * count[:, -1] for count in alone.inside]
    ends_before = [none[before] * count[:, -1] for count in alone.before]
    ends_start = [none_start * count[:, -1] for count in alone.start]
    renewed = outer.start[:, before] @ outer.resolvent[before, before]
    within: list[FloatArray] = []
    columns: list[FloatArray] = []
    left = np.ones(len(outer.start))
    while (not columns or goes_on(left, columns[-1])) and len(columns) < MOST:
        n = len(columns)
        known = _joined(steps_inside, ends_inside, within, n, brings)
        within.append(solve_triangular(np.eye(cells) - steps_inside[0] * (1.0 - brings), known, lower=False))
        ahead = _joined(steps_before, ends_before, within, n, brings)
        columns.append(_joined(steps_start, ends_start, within, n, brings) + renewed @ ahead)
        left = left - columns[-1]
    return by_count(columns)
