"""Renewals of one valve: how many in a window, for every starting age at once, under its maintenance policy.

Time runs in days from now (0), in the cells of a calendar; the unknowns are "n renewals in the window, given an item
fresh in this cell", so no axis for age is needed: a fresh item's age is the time since. Starting ages enter once, as
rows. Whatever probability isn't an event in the cells is survival, so every row sums to 1.

What is planned for a known date, a turnaround for one, has a cell of no length there.

The error is of second order in the cell's length for shapes of at least 1.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.linalg import solve_triangular

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.calendars import INSTANT, Calendar
from forecasting.processes import Process

__all__ = ["Expected", "Operators", "outer_counts", "outer_expected", "renewal_operators"]

MASS = 1e-10
"""Probability that may be left beyond the last count, and by then a count's own must be below a thousandth of it."""
MOST = 200
"""Counts told apart at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Operators:
    """First renewals of one process: of a fresh one by cell, of the given starting ages by row.

    Parameters
    ----------
    process : Process [days]
        The process.
    ages : float array, shape (rows, items of the process) [days]
        Starting ages; infinite: awaiting renewal.
    due, start_due : float array, shapes (cells,) and (rows,) [days]
        When one fresh in that cell's middle, or of that starting age, is renewed as planned; infinite: never.
    failed, planned : float array, shape (cells, cells) [1]
        P(first renewal in this cell, by failure / as planned | fresh in that cell's middle).
    early : float array, shape (cells, cells) [1]
        The part of `failed` before the middle of the cell.
    start_failed, start_planned, start_early : float array, shape (rows, cells) [1]
        The same for the starting ages.
    resolvent : float array, shape (cells, cells) [1]
        Expected renewals by cell of a process fresh in that cell, itself included.
    """

    process: Process
    ages: FloatArray
    due: FloatArray
    start_due: FloatArray
    failed: FloatArray
    planned: FloatArray
    early: FloatArray
    start_failed: FloatArray
    start_planned: FloatArray
    start_early: FloatArray
    resolvent: FloatArray

    @cached_property
    def first(self) -> FloatArray:
        """First renewals of a fresh process, shape (cells, cells)."""
        return np.asarray(self.failed + self.planned)

    @cached_property
    def start(self) -> FloatArray:
        """First renewals from the starting ages, shape (rows, cells)."""
        return np.asarray(self.start_failed + self.start_planned)


@dataclass(frozen=True, kw_only=True)
class Expected:
    """Expected renewals by starting age and cell.

    Parameters
    ----------
    unplanned, planned : float array, shape (rows, cells) [renewals]
        By failure, and as planned.
    """

    unplanned: FloatArray
    planned: FloatArray


def _planned(calendar: Calendar, due: FloatArray, weight: FloatArray, earliest: IntArray) -> FloatArray:
    """Put each row's planned renewal into the cell of its date and the nearest one so that the mean date is kept.

    Neither part leaves the cell's panel, nor comes before the row's `earliest` cell. Beyond the outermost middle of a
    panel the nearest cell's part is negative: what follows is extrapolated.
    """
    cells, rows = len(calendar.left), np.flatnonzero((due <= calendar.right[-1] + INSTANT) & (weight > 0))
    put, middle, panel = np.zeros((len(due), cells)), calendar.middle, calendar.panel
    date = np.maximum(due[rows], 0.0)
    cell, after = (np.searchsorted(calendar.right, date + shift) for shift in (-INSTANT, INSTANT))
    # a date on a cut belongs to the cell that ends there, unless one of no length stands there
    cell = np.minimum(np.where(after - cell > 1, cell + 1, cell), cells - 1)

    def usable(beside: IntArray) -> BoolArray:
        within = np.clip(beside, 0, cells - 1)
        shared = (within == beside) & (panel[within] == panel[cell]) & (beside >= earliest[rows])
        return np.asarray(shared & ~calendar.instant[within] & ~calendar.instant[cell])

    nearer, other = (np.where((date >= middle[cell]) == later, cell + 1, cell - 1) for later in (True, False))
    beside = np.where(usable(nearer), nearer, np.where(usable(other), other, cell))
    gap = np.where(beside == cell, 1.0, middle[beside] - middle[cell])
    part = np.where(beside == cell, 0.0, (date - middle[cell]) / gap)
    np.add.at(put, (rows, cell), (1.0 - part) * weight[rows])
    np.add.at(put, (rows, beside), part * weight[rows])
    return put


class _Survival:
    """Survival of a process from given ages, cut off at its planned date; `at` gives P(not yet renewed by then)."""

    def __init__(self, process: Process, ages: FloatArray, since: FloatArray) -> None:
        self.process, self.since = process, since
        self.waiting = np.isinf(ages).any(axis=1)
        self.ages = np.where(np.isinf(ages), 0.0, ages)
        self.due = np.where(self.waiting, np.inf, process.due(since, self.ages.max(axis=1)))
        self.ahead = np.where(self.waiting, 0.0, self.due - since)

    def at(self, until: FloatArray) -> FloatArray:
        """P(no renewal by `until`), shape (rows, dates)."""
        ahead = np.clip(until - self.since[:, None], 0.0, self.ahead[:, None])
        return self.process.survival(self.ages[:, None], ahead)

    def failed(self, calendar: Calendar) -> tuple[FloatArray, FloatArray]:
        """P(failed, first, in each cell), what waits in the first, and in each cell's first half; (rows, cells)."""
        edges = self.at(np.append(calendar.left, calendar.right[-1]))
        failed, early = edges[:, :-1] - edges[:, 1:], edges[:, :-1] - self.at(calendar.middle)
        failed[self.waiting, 0] = 1.0
        return failed, early

    def planned(self, calendar: Calendar, earliest: IntArray) -> FloatArray:
        """P(renewed as planned, first, in each cell), shape (rows, cells)."""
        known = np.isfinite(self.due)
        weight = np.where(known, self.at(np.where(known, self.due, 0.0)[:, None])[:, 0], 0.0)
        return _planned(calendar, self.due, weight, earliest)


@dataclass(frozen=True, kw_only=True)
class _Fresh:
    """What `Operators` says of a process fresh in each cell."""

    due: FloatArray
    failed: FloatArray
    planned: FloatArray
    early: FloatArray
    resolvent: FloatArray


@lru_cache(maxsize=4)
def _fresh(process: Process, calendar: Calendar) -> _Fresh:
    """Look at a fresh process once for all that it is linked with."""
    cells = len(calendar.left)
    fresh = _Survival(process, np.zeros((cells, len(process.lifetimes))), calendar.middle)
    (failed, early), planned = fresh.failed(calendar), fresh.planned(calendar, np.arange(cells))
    resolvent = solve_triangular(np.eye(cells) - failed - planned, np.eye(cells), lower=False)
    return _Fresh(due=fresh.due, failed=failed, planned=planned, early=early, resolvent=resolvent)


def renewal_operators(process: Process, calendar: Calendar, ages: FloatArray) -> Operators:
    """First-renewal probabilities of one process, from fresh and from the starting ages.

    S(a + x) / S(a) as exp(H(a) - H(a + x)), cut off at the planned date.

    Parameters
    ----------
    process : Process [days]
        Lifetimes and planned interval.
    calendar : Calendar [days]
        The cells.
    ages : float array, shape (rows, items of the process) [days]
        Starting ages; infinite: failed and waiting, renewed at once.

    Returns
    -------
    Operators [1]
        See there.

    References
    ----------
    Tijms (2003), A First Course in Stochastic Models, section 8.1 (renewal function; table 8.1.1 seen); Xie (1989),
    Communications in Statistics - Simulation 18(1) (midpoint scheme, from memory).

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> calendar = Calendar.of([(0.0, 70.0)])
    >>> operators = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, np.zeros((1, 1)))
    >>> round(float((operators.start @ operators.resolvent).sum()), 4)
    0.1
    """
    fresh, old = _fresh(process, calendar), _Survival(process, ages, np.zeros(len(ages)))
    start_failed, start_early = old.failed(calendar)
    return Operators(
        process=process,
        ages=ages,
        due=fresh.due,
        start_due=old.due,
        failed=fresh.failed,
        planned=fresh.planned,
        early=fresh.early,
        start_failed=start_failed,
        start_planned=old.planned(calendar, np.zeros(len(ages), dtype=np.int64)),
        start_early=start_early,
        resolvent=fresh.resolvent,
    )


def outer_expected(operators: Operators) -> Expected:
    """Expect renewals of a process that nothing else resets.

    Parameters
    ----------
    operators : Operators [1]
        Of the process.

    Returns
    -------
    Expected [renewals]
        By starting age and cell.

    References
    ----------
    Tijms (2003), A First Course in Stochastic Models, section 8.1 (renewal function; table 8.1.1 seen).

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> calendar = Calendar.of([(0.0, 70.0)])
    >>> fresh = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, np.zeros((1, 1)))
    >>> outer_expected(fresh).unplanned.sum().round(6)
    np.float64(0.1)
    """
    renewed = operators.start @ operators.resolvent
    return Expected(
        unplanned=operators.start_failed + renewed @ operators.failed,
        planned=operators.start_planned + renewed @ operators.planned,
    )


def goes_on(left: FloatArray, last: FloatArray) -> bool:
    """Tell whether the probability not yet given to a count, or that of the last count, still matters."""
    return bool(left.max(initial=0.0) > MASS or last.max(initial=0.0) > MASS / 1000.0)


def by_count(columns: list[FloatArray]) -> FloatArray:
    """Stack P(0), P(1), ... into shape (rows, n); what is left beyond the last count goes to it."""
    counts = np.clip(np.stack(columns, axis=1), 0.0, 1.0)
    counts[:, -1] += np.clip(1.0 - counts.sum(axis=1), 0.0, None)
    return np.asarray(counts / counts.sum(axis=1, keepdims=True))


def passed_on(values: FloatArray, first: FloatArray, counted: FloatArray) -> FloatArray:
    """Add to the values of fresh processes, by cell, what follows after first renewals that aren't counted.

    Those are on dates of their own, each reached only from cells before it.
    """
    for cell in np.flatnonzero(counted == 0.0)[::-1]:
        values = values + np.multiply.outer(first[:, cell], values[cell])
    return values


def outer_counts(operators: Operators, calendar: Calendar, window: int) -> FloatArray:
    """Renewals in one window of a process that nothing else resets.

    Parameters
    ----------
    operators : Operators [1]
        Of the process.
    calendar : Calendar [days]
        The cells.
    window : int [index]
        Which window.

    Returns
    -------
    float array, shape (rows, n) [1]
        P(0), P(1), ... renewals by starting age; every row sums to 1.

    References
    ----------
    Tijms (2003), A First Course in Stochastic Models, section 8.1 (renewal equation; table 8.1.1 seen).

    Examples
    --------
    >>> from forecasting.calendars import Calendar
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.processes import Process
    >>> calendar = Calendar.of([(0.0, 70.0)])
    >>> fresh = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, np.zeros((1, 1)))
    >>> outer_counts(fresh, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    begin, end = calendar.span(window)
    before, inside = slice(0, begin), slice(begin, end)
    first, start, resolvent = operators.first, operators.start, operators.resolvent[before, before]
    counted = calendar.counted(window)
    none = [1.0 - rows[:, :end].sum(axis=1) for rows in (first, start)]
    within, ends = np.zeros(end - begin), 1.0
    columns: list[FloatArray] = []
    left = np.ones(len(start))
    while (not columns or goes_on(left, columns[-1])) and len(columns) < MOST:
        fewer = counted * within
        within = passed_on(first[inside, inside] @ fewer + ends * none[0][inside], first[inside, inside], counted)
        step = fewer + (1.0 - counted) * within
        ahead = resolvent @ (first[before, inside] @ step + ends * none[0][before])
        columns.append(start[:, before] @ ahead + start[:, inside] @ step + ends * none[1])
        ends, left = 0.0, left - columns[-1]
    return by_count(columns)
