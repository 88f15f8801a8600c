"""The time ahead, cut into cells: what the renewals of one valve are counted on."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray, check

__all__ = ["CELL", "Calendar"]

CELL = 7.0
"""Longest cell in days; the results name it."""
INSTANT = 1e-6
"""Dates closer than this, in days, are one date."""


def _moved(dates: FloatArray, interval: float, end: float) -> FloatArray:
    """Dates moved by whole intervals either way, as far as they lie between 0 and the end."""
    return np.asarray((interval * np.arange(end // interval + 1)[:, None] + dates % interval).ravel())


def _cuts(edges: FloatArray, intervals: Sequence[float], end: float) -> FloatArray:
    """Dates at which the time ahead is cut: the edges, and each moved by whole intervals either way."""
    dates = np.unique(np.concatenate([edges, *(_moved(edges, days, end) for days in intervals)]).round(6))
    return np.asarray(dates[dates <= end + INSTANT])


def _instants(turnarounds: FloatArray, intervals: Sequence[float], end: float) -> FloatArray:
    """Dates of their own: now, turnarounds, and whenever what is renewed then comes due again."""
    known = np.append(0.0, turnarounds)
    again = [np.arange(date, end + INSTANT, days) for days in intervals for date in known]
    return np.unique(np.concatenate([known, *again]).round(6))


@dataclass(frozen=True, kw_only=True, eq=False)
class Calendar:
    """Windows (start, end] in days from now, and the cells they are cut into.

    Parameters
    ----------
    starts, ends : float array, shape (windows,) [days]
        0 <= start < end.
    running : bool array, shape (windows,) [1]
        Whether what is renewed at turnarounds isn't counted in the window.
    left, right, panel : arrays, shape (cells,) [days]
        Edges of the cells; some have no length: at 0, where what is overdue is renewed, at turnarounds, and whenever
        that comes due again. Cells of one panel may share a planned renewal between them.
    turnaround : bool array, shape (cells,) [1]
        Whether the cell is the date of a turnaround.
    """

    starts: FloatArray
    ends: FloatArray
    running: BoolArray
    left: FloatArray
    right: FloatArray
    panel: IntArray
    turnaround: BoolArray

    @classmethod
    def of(
        cls,
        windows: Sequence[tuple[float, float]],
        *,
        running: Sequence[tuple[float, float]] = (),
        intervals: Sequence[float] = (),
        opportunities: Sequence[float] = (),
        turnarounds: Sequence[float] = (),
        cell: float = CELL,
    ) -> "Calendar":
        """Cut the time up to the last window's end into cells of at most `cell` days.

        The cuts repeat with each planned interval, so that a renewal in one cell comes due in one cell, on one side of
        every window's edge, however often it recurs; and what is renewed in one cell is old enough (`opportunities`)
        for the same turnarounds. The windows of `running` follow the others; turnarounds count for nothing in them.
        """
        every = [*windows, *running]
        check(bool(every) and all(0 <= s < e for s, e in every), f"`windows` need 0 <= start < end, got {every}")
        end = max(edge for _, edge in every)
        stops = np.array([date for date in turnarounds if 0 < date <= end], dtype=np.float64)
        # what is renewed now may be due later still, so a turnaround beyond the end doesn't matter
        eligible = [date - age for date in stops for age in opportunities if date > age]
        edges = np.unique([0.0, *(edge for window in every for edge in window), *stops, *eligible])
        cuts = _cuts(edges, intervals, end)
        # what is planned off the middle of a cell is shared with a neighbour
        least = 2 if intervals else 1
        parts = np.maximum(np.ceil(np.diff(cuts) / cell - 1e-9).astype(int), least)
        fine = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(cuts, cuts[1:], parts, strict=False)]
        bounds = np.sort(np.concatenate([*fine, cuts[-1:], _instants(stops, intervals, end)]))
        left, right = bounds[:-1], bounds[1:]
        middle = (left + right) / 2.0
        return cls(
            starts=np.array([start for start, _ in every], dtype=np.float64),
            ends=np.array([end for _, end in every], dtype=np.float64),
            running=np.arange(len(every)) >= len(windows),
            left=left,
            right=right,
            panel=np.searchsorted(cuts, middle),
            turnaround=(left == right) & np.isin(middle, stops.round(6)),
        )

    @property
    def middle(self) -> FloatArray:
        """Where an item renewed in a cell counts as renewed."""
        return (self.left + self.right) / 2.0

    @property
    def instant(self) -> BoolArray:
        """Which cells have no length."""
        return np.asarray(self.left == self.right)

    @cached_property
    def spans(self) -> list[tuple[int, int]]:
        """First cell of each window and the first one after it; a window from 0 holds what is renewed at once."""
        first = np.searchsorted(self.right, self.starts + INSTANT, side="right")
        last = np.searchsorted(self.right, self.ends + INSTANT, side="right")
        return list(zip(np.where(self.starts > 0.0, first, 0).tolist(), last.tolist(), strict=True))

    def span(self, window: int) -> tuple[int, int]:
        """First cell of a window and the first one after it."""
        return self.spans[window]

    @cached_property
    def inside(self) -> FloatArray:
        """1 where a cell lies in a window in which everything counts, shape (cells, windows)."""
        inside = np.zeros((len(self.left), int(np.count_nonzero(~self.running))))
        for window in range(inside.shape[1]):
            inside[slice(*self.spans[window]), window] = 1.0
        return inside

    def counted(self, window: int) -> FloatArray:
        """1 for the cells of a window whose renewals count, 0 for the others, shape (cells of the window,)."""
        return np.asarray(~(self.running[window] & self.turnaround[slice(*self.span(window))]), dtype=np.float64)
