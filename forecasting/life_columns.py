"""Lives laid out for their likelihood, whatever the family: which hazards it takes, and which samples it joins."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.lives import Lives

__all__ = ["LifeColumns", "Points"]


@dataclass(frozen=True, kw_only=True)
class Points:
    """Ages at which hazards are taken: the lower age of every life, then entry ages above 0, then ends of intervals.

    Parameters
    ----------
    sample : int array, shape (points,) [index of sample]
        Whose they are.
    log_age : float array, shape (points,) [1]
        Over the reference; 0 at age 0.
    sign : float array, shape (points,) [1]
        How the cumulative hazard counts as survival: -1, 1 and 0.
    unborn : int array [index of point]
        Those at age 0, where nothing has grown.
    """

    sample: IntArray
    log_age: FloatArray
    sign: FloatArray
    unborn: IntArray


@dataclass(frozen=True, kw_only=True)
class LifeColumns:
    """What a likelihood needs of lives, each column made once.

    Parameters
    ----------
    lives : Lives [days]
        All of them.
    """

    lives: Lives

    @cached_property
    def exact(self) -> IntArray:
        """Rows of lives that ended on a known day."""
        return np.flatnonzero(self.lives.lower == self.lives.upper)

    @cached_property
    def log_days(self) -> FloatArray:
        """Log age of lives that ended on a known day."""
        return np.log(self.lives.lower[self.exact])

    @cached_property
    def interval(self) -> IntArray:
        """Rows of lives that ended in an interval."""
        return np.flatnonzero((self.lives.lower < self.lives.upper) & np.isfinite(self.lives.upper))

    @cached_property
    def cause(self) -> IntArray:
        """Causes numbered from 0 without gaps, shape (lives,)."""
        return np.unique(self.lives.cause, return_inverse=True)[1]

    @cached_property
    def causes(self) -> int:
        """Number of causes."""
        return int(self.cause.max(initial=-1)) + 1

    @cached_property
    def reference(self) -> FloatArray:
        """Geometric mean of the ages at the end of life per sample, so that time units don't matter."""
        ended = np.where(np.isfinite(self.lives.upper), self.lives.upper, self.lives.lower)
        logs, used = np.log(np.where(ended > 0, ended, 1.0)), ended > 0
        count = len(self.lives.samples)
        total = np.bincount(self.lives.sample[used], logs[used], count)
        return np.exp(total / np.maximum(np.bincount(self.lives.sample[used], minlength=count), 1))

    @cached_property
    def points(self) -> Points:
        """Ages at which hazards are taken, in one column."""
        lives, late, interval = self.lives, np.flatnonzero(self.lives.entry > 0), self.interval
        age = np.concatenate([lives.lower, lives.entry[late], lives.upper[interval]])
        sample = np.concatenate([lives.sample, lives.sample[late], lives.sample[interval]])
        unborn = np.flatnonzero(age == 0)
        age[unborn] = self.reference[sample[unborn]]
        return Points(
            sample=sample,
            log_age=np.log(age / self.reference[sample]),
            sign=np.repeat([-1.0, 1.0, 0.0], [len(lives), len(late), len(interval)]),
            unborn=unborn,
        )

    @cached_property
    def ends(self) -> IntArray:
        """Points at the end of each interval."""
        count = len(self.points.sample)
        return np.arange(count - len(self.interval), count)

    @cached_property
    def masked_exact(self) -> IntArray:
        """Places in `exact` of lives that share their cause."""
        return np.flatnonzero(self.lives.sharing[self.exact] > 1)

    @cached_property
    def masked_interval(self) -> IntArray:
        """Places in `interval` of lives that share their cause."""
        return np.flatnonzero(self.lives.sharing[self.interval] > 1)

    @cached_property
    def shared(self) -> list[IntArray]:
        """Rows of each masked cause."""
        rows = np.flatnonzero(self.lives.sharing > 1)
        rows = rows[np.argsort(self.cause[rows], kind="stable")]
        groups = np.split(rows, np.flatnonzero(np.diff(self.cause[rows])) + 1)
        return [group for group in groups if len(group)]

    @cached_property
    def joint(self) -> IntArray:
        """Rows whose derivatives are multiplied with each other: masked exact lives, then all that ended between."""
        return np.concatenate([self.exact[self.masked_exact], self.interval])

    @cached_property
    def pairs(self) -> tuple[IntArray, IntArray]:
        """Ordered pairs of different lives that share a cause, as places in `joint`."""
        place = np.full(len(self.lives), -1)
        place[self.joint] = np.arange(len(self.joint))
        pairs = [(i, j) for rows in self.shared for i in place[rows] for j in place[rows] if i != j]
        left, right = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
        return left, right

    @cached_property
    def block(self) -> IntArray:
        """Block of each sample, shape (samples,): samples joined by a masked cause share one."""
        block = np.arange(len(self.lives.samples))
        for rows in self.shared:
            joined = np.isin(block, block[self.lives.sample[rows]])
            block[joined] = block[joined].min()
        return np.unique(block, return_inverse=True)[1]

    @cached_property
    def slot(self) -> IntArray:
        """Place of each sample in its block, shape (samples,)."""
        order = np.argsort(self.block, kind="stable")
        first = np.searchsorted(self.block[order], self.block[order])
        slot = np.empty_like(order)
        slot[order] = np.arange(len(order)) - first
        return slot

    @cached_property
    def empty(self) -> BoolArray:
        """Places of each block without a parameter, shape (blocks, 2 * width)."""
        empty = np.ones((self.block.max(initial=-1) + 1, 2 * (self.slot.max(initial=0) + 1)), dtype=bool)
        empty[self.block, 2 * self.slot] = empty[self.block, 2 * self.slot + 1] = False
        return empty

    @cached_property
    def own_cells(self) -> IntArray:
        """Where each sample's Hessian stands among those of all blocks laid end to end, shape (samples, 2, 2)."""
        corner, i, j = 2 * self.slot[:, None, None], np.arange(2)[:, None], np.arange(2)[None, :]
        return self._cells(self.block[:, None, None], corner + i, corner + j)

    @cached_property
    def pair_cells(self) -> IntArray:
        """Where each pair of lives couples its two samples, shape (2, 2, pairs)."""
        left, right = (self.lives.sample[self.joint[side]] for side in self.pairs)
        i, j = np.arange(2)[:, None, None], np.arange(2)[None, :, None]
        return self._cells(self.block[left], 2 * self.slot[left] + i, 2 * self.slot[right] + j)

    def _cells(self, block: IntArray, row: IntArray, column: IntArray) -> IntArray:
        width = self.empty.shape[1]
        cells: IntArray = (block * width + row) * width + column
        return cells
