"""Sums, extremes and counts over each sample's rows of columns sorted by sample."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Segments", "segments_of"]

LONG = 4_096
"""Rows a sample from which its flags are counted on their own: twenty times as quick."""


@dataclass(frozen=True, kw_only=True)
class Segments:
    """Where each sample's rows are.

    Parameters
    ----------
    samples : int [samples]
        How many there are, those without rows included.
    present : int array, shape (segments,) [index of sample]
        Samples that have rows, in order.
    first : int array, shape (segments,) [row]
        Where the rows of each begin.
    length : int array, shape (segments,) [rows]
        How many rows each has.
    rows : int [rows]
        How many rows there are.
    """

    samples: int
    present: IntArray
    first: IntArray
    length: IntArray
    rows: int

    def size(self) -> IntArray:
        """Count rows by sample, shape (samples,)."""
        size = np.zeros(self.samples, dtype=np.int64)
        size[self.present] = self.length
        return size

    def count(self, flags: BoolArray) -> IntArray:
        """Count rows with a flag by sample, shape (samples,)."""
        count = np.zeros(self.samples, dtype=np.int64)
        if self.rows > LONG * len(self.first):
            count[self.present] = [np.count_nonzero(part) for part in np.split(flags, self.first[1:])]
        elif self.rows:
            count[self.present] = np.add.reduceat(flags.view(np.int8), self.first, dtype=np.int64)
        return count

    def total(self, values: FloatArray) -> FloatArray:
        """Sum by sample, shape (samples,)."""
        return self._reduced(np.add, values, empty=0.0)

    def largest(self, values: FloatArray) -> FloatArray:
        """Largest by sample, shape (samples,); minus infinity without rows."""
        return self._reduced(np.maximum, values, empty=-np.inf)

    def smallest(self, values: FloatArray) -> FloatArray:
        """Smallest by sample, shape (samples,); infinity without rows."""
        return self._reduced(np.minimum, values, empty=np.inf)

    def _reduced(self, reduce: np.ufunc, values: FloatArray, *, empty: float) -> FloatArray:
        reduced = np.full(self.samples, empty)
        if self.rows:
            reduced[self.present] = reduce.reduceat(values, self.first)
        return reduced


def segments_of(sample: IntArray, *, samples: int) -> Segments:
    """Find where each sample's rows are.

    Parameters
    ----------
    sample : int array, shape (rows,) [index of sample]
        Whose row it is, ascending.
    samples : int [samples]
        How many samples there are.

    Returns
    -------
    Segments [rows]
        For sums by sample.

    References
    ----------
    DEVELOPERS.md, "Speed of the fits".

    Examples
    --------
    >>> segments_of(np.array([0, 0, 2]), samples=3).total(np.array([1.0, 2.0, 5.0]))
    array([3., 0., 5.])
    """
    rows = len(sample)
    among = np.arange(sample[0], sample[-1] + 1) if rows else np.zeros(0, dtype=np.int64)
    edges = np.empty(len(among) + 1, dtype=np.int64)
    edges[:-1], edges[-1] = np.searchsorted(sample, among), rows
    length = edges[1:] - edges[:-1]
    filled = length > 0
    return Segments(samples=samples, present=among[filled], first=edges[:-1][filled], length=length[filled], rows=rows)
