"""Renewals of two linked processes of one valve: the kit of the outer one (trim) renews the inner one (packing) too.

The outer one doesn't look at the inner one, and between its renewals the inner one runs from fresh, so all that is
needed are counts of the inner process up to each possible next renewal of the outer one.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from forecasting.arrays import FloatArray
from forecasting.calendars import Calendar
from forecasting.renewals import MOST, Expected, Operators, by_count, goes_on

__all__ = ["inner_counts", "inner_expected"]


def _none(first: FloatArray, own: FloatArray, passed: FloatArray) -> FloatArray:
    """P(no first renewal up to an event in each cell, and by the end), shape (rows, kinds * cells + 1).

    `own` is, by kind of event and cell, the part of the cell's first renewals that comes before the event; `passed` is
    what was renewed before the first of these cells.
    """
    summed = np.cumsum(first, axis=1)
    before = np.tile(summed - first, own.shape[1] // first.shape[1]) + own
    return np.asarray(1.0 - passed[:, None] - np.hstack([before, summed[:, -1:]]))


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
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.renewals import Process, renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_expected(trim, packing).unplanned.sum().round(4)
    np.float64(0.1)
    """
    renewed, inner_renewed = outer.start @ outer.resolvent, inner.start @ inner.resolvent

    def expected(fresh: FloatArray, start: FloatArray, share: float) -> FloatArray:
        own, start_own = outer.early + share * outer.planned, outer.start_early + share * outer.start_planned
        start_own[:, 0] = outer.start[:, 0]
        alive = _none(outer.first, own, np.zeros(len(own)))[:, :-1]
        start_alive = _none(outer.start, start_own, np.zeros(len(start_own)))[:, :-1]
        cycles = renewed @ (inner.resolvent @ fresh * alive)
        return np.asarray((start + inner_renewed @ fresh) * start_alive + cycles)

    return Expected(
        unplanned=expected(inner.failed, inner.start_failed, 0.5),
        planned=expected(inner.planned, inner.start_planned, 1.0),
    )


@dataclass(frozen=True, kw_only=True)
class _Alone:
    """P(m inner renewals in the window before the outer one's next), by m; shapes (rows, kinds * cells + 1).

    By kind of the outer renewal and cell of the window; the last column: no outer renewal up to the window's end.
    """

    inside: list[FloatArray]  # both fresh in a cell of the window
    before: list[FloatArray]  # both fresh in a cell before the window
    start: list[FloatArray]  # inner one at its starting age


def _shares(outer: Operators, inner: Operators) -> tuple[float, ...]:
    """Share of a cell's planned inner renewals that come before the outer renewal in that cell, by kind of the latter.

    Half before a failure; none before a planned one, since on a tie the kit that renews more wins.
    """
    plans = [one.planned.any() or one.start_planned.any() for one in (outer, inner)]
    return (0.5, 0.0) if all(plans) else (0.5,)


def _by_kind(failed: FloatArray, planned: FloatArray, kinds: int) -> FloatArray:
    """Outer renewals by kind and cell, shape (rows, kinds * cells)."""
    return np.asarray(failed + planned if kinds == 1 else np.hstack([failed, planned]))


def _alone(inner: Operators, begin: int, end: int, shares: tuple[float, ...]) -> _Alone:
    """Count the inner process between two outer renewals."""
    before, inside = slice(0, begin), slice(begin, end)
    resolvent, cells = inner.resolvent[before, before], end - begin
    earlier = np.hstack([*([np.triu(np.ones((cells, cells)), 1)] * len(shares)), np.ones((cells, 1))])

    def own(early: FloatArray, planned: FloatArray) -> FloatArray:
        parts = np.stack([early + share * planned for share in shares], axis=1)
        parts[:, :, 0] = 0.0  # at once the outer one is first
        return np.asarray(parts[:, :, inside].reshape(len(parts), len(shares) * cells))

    def ending(parts: FloatArray) -> FloatArray:
        return np.hstack([parts, np.zeros((len(parts), 1))])

    own_fresh, own_start = own(inner.early, inner.planned), own(inner.start_early, inner.start_planned)
    inside_none = _none(inner.first[inside, inside], own_fresh[inside], np.zeros(cells))
    passed, start_passed = inner.first[before, before].sum(axis=1), inner.start[:, before].sum(axis=1)
    before_none = resolvent @ _none(inner.first[before, inside], own_fresh[before], passed)
    start_none = _none(inner.start[:, inside], own_start, start_passed) + inner.start[:, before] @ before_none
    counted = _Alone(inside=[inside_none], before=[before_none], start=[start_none])
    half, left = 1.0, 1.0 - inside_none[:, -1]
    while goes_on(left, counted.inside[-1][:, -1]) and len(counted.inside) < MOST:
        last = counted.inside[-1] * earlier
        to_before = resolvent @ (inner.first[before, inside] @ last + half * ending(own_fresh[before]))
        to_start = inner.start[:, inside] @ last + half * ending(own_start)
        counted.inside.append(inner.first[inside, inside] @ last + half * ending(own_fresh[inside]))
        counted.before.append(to_before)
        counted.start.append(inner.start[:, before] @ to_before + to_start)
        half, left = 0.0, left - counted.inside[-1][:, -1]
    return counted


def _steps(following: FloatArray, alone: list[FloatArray], cells: int) -> list[FloatArray]:
    """P(m inner renewals, then the outer one's next in each cell of the window), by m; shapes (rows, cells)."""
    shape = (len(following), following.shape[1] // cells, cells)
    return [(following * count[:, :-1]).reshape(shape).sum(axis=1) for count in alone]


def _joined(steps: list[FloatArray], ends: list[FloatArray], within: list[FloatArray], n: int) -> FloatArray:
    """P(n inner renewals): m before the outer one's next and n - m after it, or n and no outer one; shape (rows,)."""
    whole = ends[n] if n < len(ends) else np.zeros(len(ends[0]))
    for m in range(min(n, len(steps) - 1) + 1):
        if n - m < len(within):
            whole = whole + steps[m] @ within[n - m]
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
    >>> from forecasting.renewals import Process, renewal_operators
    >>> calendar, new = Calendar.of([(0.0, 70.0)]), np.zeros((1, 1))
    >>> trim = renewal_operators(Process(lifetimes=(Weibull(scale=900.0, shape=2.0),)), calendar, new)
    >>> packing = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, new)
    >>> inner_counts(trim, packing, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    begin, end = calendar.span(window)
    before, inside, cells = slice(0, begin), slice(begin, end), end - begin
    shares = _shares(outer, inner)
    alone = _alone(inner, begin, end, shares)
    following = _by_kind(outer.failed[:, inside], outer.planned[:, inside], len(shares))
    following_start = _by_kind(outer.start_failed[:, inside], outer.start_planned[:, inside], len(shares))
    none, none_start = 1.0 - outer.first[:, :end].sum(axis=1), 1.0 - outer.start[:, :end].sum(axis=1)
    steps_inside = _steps(following[inside], alone.inside, cells)
    steps_before = _steps(following[before], alone.before, cells)
    steps_start = _steps(following_start, alone.start, cells)
    ends_inside = [none[inside] * count[:, -1] for count in alone.inside]
    ends_before = [none[before] * count[:, -1] for count in alone.before]
    ends_start = [none_start * count[:, -1] for count in alone.start]
    renewed = outer.start[:, before] @ outer.resolvent[before, before]
    within: list[FloatArray] = []
    columns: list[FloatArray] = []
    left = np.ones(len(outer.start))
    while (not columns or goes_on(left, columns[-1])) and len(columns) < MOST:
        n = len(columns)
        known = _joined(steps_inside, ends_inside, within, n)
        within.append(solve_triangular(np.eye(cells) - steps_inside[0], known, lower=False))
        ahead = _joined(steps_before, ends_before, within, n)
        columns.append(_joined(steps_start, ends_start, within, n) + renewed @ ahead)
        left = left - columns[-1]
    return by_count(columns)
