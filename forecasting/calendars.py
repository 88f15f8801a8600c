"""The time ahead, cut into cells: what the renewals of one valve are counted on."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check

__all__ = ["CELL", "Calendar"]

CELL = 7.0
"""Longest cell in days; the results name it."""
INSTANT = 1e-6
"""Dates closer than this, in days, are one date."""


def _cuts(edges: FloatArray, intervals: Sequence[float]) -> FloatArray:
    """Dates at which the time up to the last edge is cut: the edges, and each moved by whole intervals either way."""
    cuts = [edges, *((days * np.arange(edges[-1] // days + 1)[:, None] + edges % days).ravel() for days in intervals)]
    dates = np.unique(np.concatenate(cuts).round(6))
    return np.asarray(dates[dates <= edges[-1] + INSTANT])


def _whole(first: float, second: float) -> bool:
    """Whether one of two intervals is a whole multiple of the other."""
    rest = max(first, second) % min(first, second)
    return min(rest, min(first, second) - rest) < INSTANT


@dataclass(frozen=True, kw_only=True)
class Calendar:
    """Windows (start, end] in days from now, and the cells they are cut into.

    Parameters
    ----------
    starts, ends : float array, shape (windows,) [days]
        0 <= start < end.
    left, right, panel : arrays, shape (cells,) [days]
        Edges of the cells; some have no length: at 0, where what is overdue is renewed, and whenever that comes due
        again. Cells of one panel may share a planned renewal between them.
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

        The cuts repeat with each planned interval, so that a renewal in one cell comes due in one cell, on one side of
        every window's edge, however often it recurs.
        """
        check(bool(windows) and all(0 <= s < e for s, e in windows), f"`windows` need 0 <= start < end, got {windows}")
        cuts = _cuts(np.unique([0.0, *(edge for window in windows for edge in window)]), intervals)
        parts = np.ceil(np.diff(cuts) / cell - 1e-9).astype(int)
        fine = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(cuts, cuts[1:], parts, strict=False)]
        points = [np.arange(0.0, cuts[-1] + INSTANT, days).round(6) for days in intervals]
        bounds = np.sort(np.concatenate([*fine, cuts[-1:], np.unique(np.concatenate([cuts[:1], *points]))]))
        left, right = bounds[:-1], bounds[1:]
        # where two plans can fall on one day, sharing a date between cells would blur which comes first
        tied = any(_whole(*pair) for pair in combinations(intervals, 2))
        return cls(
            starts=np.array([start for start, _ in windows], dtype=np.float64),
            ends=np.array([end for _, end in windows], dtype=np.float64),
            left=left,
            right=right,
            panel=np.arange(len(left)) if tied else np.searchsorted(cuts, (left + right) / 2.0),
        )

    @property
    def middle(self) -> FloatArray:
        """Where an item renewed in a cell counts as renewed."""
        return (self.left + self.right) / 2.0

    def span(self, window: int) -> tuple[int, int]:
        """First cell of a window and the first one after it; a window from 0 holds what is renewed at once."""
        ends = np.searchsorted(self.right, [self.starts[window], self.ends[window]] + np.array(INSTANT), side="right")
        return int(ends[0]) if self.starts[window] > 0.0 else 0, int(ends[1])
