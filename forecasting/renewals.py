"""Renewals of one valve: how many in a window, for every starting age at once, under its maintenance policy.

Time runs in days from now (0). It is cut into cells at every window edge; the unknowns are "n renewals in the window,
given an item fresh in this cell", so no axis for age is needed: a fresh item's age is the time since. Starting ages
enter once, as rows. Whatever probability isn't an event in the cells is survival, so every row sums to 1.

The error is of second order in the cell's length, for shapes of at
least 1; planned dates are split between neighbouring cells so that their mean is kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.lifetimes import Lifetime

__all__ = [
    "Calendar",
    "Expected",
    "Operators",
    "Process",
    "outer_counts",
    "outer_expected",
    "renewal_operators",
]

CELL = 7.0
"""Longest cell in days; the results name it."""
MASS = 1e-10
"""Probability that may be left beyond the last count, and by then a count's own must be below a thousandth of it."""
MOST = 200
"""Counts tried at most."""


@dataclass(frozen=True, kw_only=True)
class Process:
    """Items of one valve that are always renewed together.

    Parameters
    ----------
    lifetimes : tuple of Lifetime [days]
        One per item; their hazards add.
    interval : float [days]
        Renewed at the latest so long after the last renewal (predetermined policy); infinite: never planned.

    Raises
    ------
    InvalidInput
        If it has no lifetime or the interval isn't positive.
    """

    lifetimes: tuple[Lifetime, ...]
    interval: float = np.inf

    def __post_init__(self) -> None:
        """Refuse what can't be."""
        check(bool(self.lifetimes) and self.interval > 0, f"a process needs a lifetime and an interval > 0, got {self}")


@dataclass(frozen=True, kw_only=True)
class Calendar:
    """Windows (start, end] in days from now, and the cells they are cut into.

    Parameters
    ----------
    starts, ends : float array, shape (windows,) [days]
        0 <= start < end.
    left, right, panel : arrays, shape (cells,) [days]
        Edges of the cells, and which stretch between two window edges each lies in.
    """

    starts: FloatArray
    ends: FloatArray
    left: FloatArray
    right: FloatArray
    panel: IntArray

    @classmethod
    def of(
        cls, windows: Sequence[tuple[float, float]], *, intervals: Sequence[float] = (), cell: float = CELL
    ) -> "Calendar":
        """Cut the time up to the last window's end into cells of at most `cell` days.

        With planned `intervals` there is a cut wherever an item renewed on either side comes due on either side of a
        window's edge.
        """
        check(bool(windows) and all(0 <= s < e for s, e in windows), f"`windows` need 0 <= start < end, got {windows}")
        # to the microday, as the cuts are: a window must not end beside its own cut
        starts, ends = np.round(np.array(windows, dtype=np.float64), 6).T
        edges = np.unique([0.0, *starts, *ends])
        shifts = {k * days for days in intervals for k in range(int(edges[-1] // days) + 1)} | {0.0}
        cuts = np.unique((edges[:, None] - np.array(sorted(shifts))).ravel().round(6))
        cuts = cuts[cuts >= 0.0]
        parts = np.ceil(np.diff(cuts) / cell - 1e-9).astype(int)
        fine = np.unique(
            np.concatenate([np.linspace(a, b, n + 1) for a, b, n in zip(cuts, cuts[1:], parts, strict=False)])
        )
        return cls(
            starts=starts,
            ends=ends,
            left=fine[:-1],
            right=fine[1:],
            panel=np.searchsorted(edges, (fine[:-1] + fine[1:]) / 2.0),
        )

    @property
    def middle(self) -> FloatArray:
        """Where an item renewed in a cell counts as renewed."""
        return (self.left + self.right) / 2.0

    def span(self, window: int) -> tuple[int, int]:
        """First cell of a window and the first one after it."""
        return (
            int(np.searchsorted(self.left, self.starts[window] - 1e-9)),
            int(np.searchsorted(self.left, self.ends[window] - 1e-9)),
        )


@dataclass(frozen=True, kw_only=True)
class Operators:
    """First renewals of one process: of a fresh one by cell, of the given starting ages by row.

    Parameters
    ----------
    failed, planned : float array, shape (cells, cells) [1]
        P(first renewal in this cell, by failure / as planned | fresh in that cell's middle).
    early : float array, shape (cells, cells) [1]
        The part of failed + planned before the middle of the cell.
    start_failed, start_planned, start_early : float array, shape (rows, cells) [1]
        The same for the starting ages.
    resolvent : float array, shape (cells, cells) [1]
        Expected renewals by cell of a process fresh in that cell, itself included.
    """

    failed: FloatArray
    planned: FloatArray
    early: FloatArray
    start_failed: FloatArray
    start_planned: FloatArray
    start_early: FloatArray
    resolvent: FloatArray

    @property
    def first(self) -> FloatArray:
        """First renewals of a fresh process, shape (cells, cells)."""
        return np.asarray(self.failed + self.planned)

    @property
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
    """Put each row's planned renewal into the cell of its date, split with a neighbour so that the mean date is kept.

    Neither part leaves the stretch between two window edges, nor comes before the row's `earliest` cell.
    """
    cells, rows = len(calendar.left), np.flatnonzero((due <= calendar.right[-1] + 1e-9) & (weight > 0))
    put, middle = np.zeros((len(due), cells)), calendar.middle
    date = np.maximum(due[rows], 0.0)
    cell = np.minimum(np.searchsorted(calendar.right, date - 1e-9), cells - 1)
    beside = np.clip(np.where(date >= middle[cell], cell + 1, cell - 1), 0, cells - 1)
    usable = (
        (calendar.panel[beside] == calendar.panel[cell]) & (beside != cell) & (beside >= earliest[rows]) & (date > 0)
    )
    gap = np.where(usable, middle[beside] - middle[cell], 1.0)
    part = np.where(usable, (date - middle[cell]) / gap, 0.0)
    np.add.at(put, (rows, cell), (1.0 - part) * weight[rows])
    np.add.at(put, (rows, beside), part * weight[rows])
    return put


class _Survival:
    """Survival of a process from given ages, cut off at its planned date; `at` gives P(not yet renewed by then)."""

    def __init__(self, process: Process, ages: FloatArray, since: FloatArray) -> None:
        waiting = np.isinf(ages).any(axis=1)
        self.process, self.since = process, since
        self.ages = np.where(np.isinf(ages), 0.0, ages)
        self.ahead = np.where(waiting, 0.0, np.maximum(process.interval - self.ages.max(axis=1), 0.0))

    def at(self, until: FloatArray) -> FloatArray:
        """P(no renewal by `until`), shape (rows, dates)."""
        ahead = np.clip(until - self.since[:, None], 0.0, self.ahead[:, None])
        parts = [
            lifetime.cumulative_hazard(age[:, None]) - lifetime.cumulative_hazard(age[:, None] + ahead)
            for lifetime, age in zip(self.process.lifetimes, self.ages.T, strict=True)
        ]
        return np.asarray(np.exp(sum(parts)))

    def planned(self, calendar: Calendar, earliest: IntArray) -> FloatArray:
        """P(renewed as planned, first, in each cell), shape (rows, cells)."""
        due = self.since + self.ahead
        known = np.where(np.isfinite(due), due, 0.0)
        weight = np.where(np.isfinite(due), np.diagonal(self.at(known[None, :])) if len(due) else due, 0.0)
        return _planned(calendar, due, weight, earliest)


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
    >>> from forecasting.lifetimes import Weibull
    >>> calendar = Calendar.of([(0.0, 70.0)])
    >>> operators = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, np.zeros((1, 1)))
    >>> round(float((operators.start @ operators.resolvent).sum()), 4)
    0.1
    """
    cells, rows = len(calendar.left), len(ages)
    fresh = _Survival(process, np.zeros((cells, len(process.lifetimes))), calendar.middle)
    old = _Survival(process, ages, np.zeros(rows))
    failed, planned = fresh.at(calendar.left) - fresh.at(calendar.right), fresh.planned(calendar, np.arange(cells))
    start_planned = old.planned(calendar, np.zeros(rows, dtype=np.int64))
    return Operators(
        failed=failed,
        planned=planned,
        early=fresh.at(calendar.left) - fresh.at(calendar.middle) + planned / 2.0,
        start_failed=old.at(calendar.left) - old.at(calendar.right),
        start_planned=start_planned,
        start_early=old.at(calendar.left) - old.at(calendar.middle) + start_planned / 2.0,
        resolvent=solve_triangular(np.eye(cells) - failed - planned, np.eye(cells), lower=False),
    )


def _padded(columns: list[FloatArray]) -> FloatArray:
    """Stack P(0), P(1), ... into one array, rounding noise clipped; shape (rows, n)."""
    return np.asarray(np.clip(np.stack(columns, axis=1), 0.0, 1.0))


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
    >>> from forecasting.lifetimes import Weibull
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
    """Tell whether higher counts still matter.

    Parameters
    ----------
    left : float array [1]
        Probability not yet given to a count.
    last : float array [1]
        Probability of the last count.

    Returns
    -------
    bool [yes or no]
        False once both are negligible.
    """
    return bool(left.max(initial=0.0) > MASS or last.max(initial=0.0) > MASS / 1000.0)


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
    >>> from forecasting.lifetimes import Weibull
    >>> calendar = Calendar.of([(0.0, 70.0)])
    >>> fresh = renewal_operators(Process(lifetimes=(Weibull(scale=700.0, shape=1.0),)), calendar, np.zeros((1, 1)))
    >>> outer_counts(fresh, calendar, 0)[0, :3].round(4)
    array([0.9048, 0.0905, 0.0045])
    """
    begin, end = calendar.span(window)
    before, inside = slice(0, begin), slice(begin, end)
    first, start, resolvent = operators.first, operators.start, operators.resolvent[before, before]
    within = 1.0 - first[inside, inside].sum(axis=1)
    ahead = resolvent @ (1.0 - first[before, :end].sum(axis=1))
    columns = [1.0 - start[:, :end].sum(axis=1) + start[:, before] @ ahead]
    left = 1.0 - columns[0]
    while goes_on(left, columns[-1]) and len(columns) < MOST:
        ahead = resolvent @ (first[before, inside] @ within)
        columns.append(start[:, before] @ ahead + start[:, inside] @ within)
        within = first[inside, inside] @ within
        left = left - columns[-1]
    return np.asarray(np.clip(np.stack(columns, axis=1), 0.0, 1.0))
