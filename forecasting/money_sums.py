"""Distributions of sums of independent amounts, mixed over what they have in common; nothing is drawn at random."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.fft import next_fast_len

from forecasting.arrays import FloatArray, check

__all__ = ["Amounts", "Sums", "sum_of", "sum_of_classes", "sum_of_independent"]

CELLS = 4096
"""Amounts on the grid."""
SPREADS = 12.0
"""The grid reaches so many standard deviations beyond the mean, if the largest sum lies further off."""
NOISE = 1e-15
"""What rounding leaves of a chance of 0."""


@dataclass(frozen=True, kw_only=True)
class Amounts:
    """One of several amounts, by chances that depend on what is shared.

    Parameters
    ----------
    values : float array, shape (m,) [any]
        Not negative.
    chances : float array, shape (k, m) [1]
        For each equally likely point of what is shared; rows sum to 1.
    """

    values: FloatArray
    chances: FloatArray


@dataclass(frozen=True, kw_only=True)
class Sums:
    """Distribution of a sum on an even grid from 0 on.

    Parameters
    ----------
    step : float [unit of the sum]
        Of the grid.
    chances : float array, shape (n,) [1]
        Of 0, step, 2 * step, ...; sums to 1.
    """

    step: float
    chances: FloatArray

    @property
    def mean(self) -> float:
        """Expected sum."""
        return float(self.step * (np.arange(len(self.chances)) @ self.chances))

    def below(self, amount: ArrayLike) -> FloatArray:
        """Chance that the sum is at most this, joined by lines between the points of the grid."""
        grid = self.step * np.arange(len(self.chances))
        return np.asarray(
            np.interp(
                np.asarray(amount, dtype=np.float64),
                grid,
                np.minimum(np.cumsum(self.chances), 1.0),
                left=0.0,
                right=1.0,
            )
        )

    def quantile(self, probability: float) -> float:
        """Least amount of the grid that the sum exceeds with a chance of at most 1 - probability."""
        summed = np.cumsum(self.chances)
        return float(self.step * min(int(np.searchsorted(summed, probability - 1e-12)), len(summed) - 1))


def _extent(classes: Sequence[Sequence[Amounts]]) -> float:
    """Amount that the sum exceeds next to never."""
    largest, biggest, middle, square = 0.0, 0.0, 0.0, 0.0
    for amounts in classes:
        most = [float(one.values.max()) for one in amounts]
        means = np.sum([one.chances @ one.values for one in amounts], axis=0)
        squares = np.sum([one.chances @ one.values**2 - (one.chances @ one.values) ** 2 for one in amounts], axis=0)
        largest, biggest = largest + sum(most), max(biggest, *most)
        middle, square = middle + float(means.max()), square + max(float(squares.max()), 0.0)
    return min(largest, middle + SPREADS * float(np.sqrt(square)) + 2.0 * biggest)


def _on_grid(amounts: Sequence[Amounts], step: float, cells: int) -> FloatArray:
    """Share amounts out over the grid points beside them, means kept, shape (amounts, k, cells)."""
    laid = np.zeros((len(amounts), len(amounts[0].chances), cells + 1))
    for row, one in zip(laid, amounts, strict=True):
        place = np.minimum(one.values / step, cells - 1.0)
        low = np.floor(place + 1e-9).astype(np.int64)
        part = np.clip(place - low, 0.0, 1.0)
        for number, (at, above) in enumerate(zip(low.tolist(), part.tolist(), strict=True)):
            row[:, at] += one.chances[:, number] * (1.0 - above)
            row[:, at + 1] += one.chances[:, number] * above
    laid[..., cells - 1] += laid[..., cells]
    return laid[..., :cells]


def sum_of(amounts: Sequence[Amounts], *, step: float | None = None) -> Sums:
    """Distribution of the sum of amounts that are independent but for what is shared.

    The product of their characteristic functions at each point, mixed over the points after the product.

    Parameters
    ----------
    amounts : sequence of Amounts [any]
        All with the same points; none: the sum is 0.
    step : float or None [unit of the sum]
        Of the grid; None: so that 4,096 steps reach beyond every likely sum. Amounts off the grid are shared out over
        the points beside them, which keeps means.

    Returns
    -------
    Sums [unit of the sum]
        The distribution.

    Raises
    ------
    InvalidInput
        If the amounts haven't the same points, or one is negative.

    References
    ----------
    Klugman, Panjer & Willmot (2012), Loss Models, section 9.6 (aggregate losses by Fourier transform; from memory).

    Examples
    --------
    >>> even = Amounts(values=np.array([0.0, 1.0]), chances=np.array([[0.5, 0.5]]))
    >>> sum_of([even, even], step=1.0).chances.round(6)
    array([0.25, 0.5 , 0.25])
    """
    kept = [one for one in amounts if one.values.max(initial=0.0) > 0.0]
    if not kept:
        return Sums(step=1.0 if step is None else step, chances=np.ones(1))
    points = {len(one.chances) for one in amounts}
    check(len(points) == 1, f"`amounts` must have the same points, got {sorted(points)}")
    check(all(one.values.min() >= 0.0 for one in kept), "`amounts` must not be negative")
    return _sums([kept], step=_extent([kept]) / (CELLS - 2) if step is None else step)


def sum_of_classes(classes: Sequence[Sequence[Amounts]], *, cells: int = CELLS) -> Sums:
    """Distribution of the sum of amounts that share something within each class and nothing beyond it.

    Within a class as `sum_of`; the mixtures of the classes are multiplied.

    Parameters
    ----------
    classes : sequence of sequences of Amounts [any]
        Those of one class with the same points; none: the sum is 0.
    cells : int [1]
        About so many steps reach beyond every likely sum.

    Returns
    -------
    Sums [unit of the sum]
        The distribution.

    Raises
    ------
    InvalidInput
        If those of a class haven't the same points, or one is negative.

    References
    ----------
    See `sum_of`.

    Examples
    --------
    >>> even = Amounts(values=np.array([0.0, 1.0]), chances=np.array([[0.0, 1.0], [1.0, 0.0]]))
    >>> apart, together = sum_of_classes([[even], [even]]), sum_of_classes([[even, even]])
    >>> [float(one.below(0.5).round(3)) for one in (apart, together)]
    [0.25, 0.5]
    """
    for amounts in classes:
        check(len({len(one.chances) for one in amounts}) <= 1, "amounts of one class must have the same points")
        check(all(one.values.min() >= 0.0 for one in amounts), "amounts must not be negative")
    kept = [[one for one in amounts if one.values.max(initial=0.0) > 0.0] for amounts in classes]
    kept = [amounts for amounts in kept if amounts]
    return _sums(kept, step=_extent(kept) / (cells - 2)) if kept else Sums(step=1.0, chances=np.ones(1))


def _sums(classes: Sequence[Sequence[Amounts]], *, step: float) -> Sums:
    """Multiply at each point, mix the points of each class, multiply the classes."""
    # each amount may be shared out to the point above
    cells = int(np.ceil(_extent(classes) / step - 1e-9)) + 1 + sum(len(amounts) for amounts in classes)
    size = next_fast_len(cells + cells // 4, real=True)  # room for what lies beyond, so that it doesn't come round
    whole = np.ones(size // 2 + 1, dtype=np.complex128)
    for amounts in classes:
        spectra = np.fft.rfft(_on_grid(amounts, step, cells), n=size, axis=2)
        whole *= np.prod(spectra, axis=0).mean(axis=0)
    chances = np.fft.irfft(whole, n=size)[:cells]
    chances = np.where(chances > NOISE, chances, 0.0)[: np.flatnonzero(chances > NOISE)[-1] + 1]
    return Sums(step=step, chances=chances / chances.sum())


def sum_of_independent(sums: Sequence[Sums], *, step: float | None = None) -> Sums:
    """Distribution of the sum of sums that have nothing in common, such as those of several service classes.

    Parameters
    ----------
    sums : sequence of Sums [any]
        None: the sum is 0.
    step : float or None [unit of the sum]
        As for `sum_of`.

    Returns
    -------
    Sums [unit of the sum]
        The distribution.

    References
    ----------
    As `sum_of`.

    Examples
    --------
    >>> even = Sums(step=1.0, chances=np.array([0.5, 0.5]))
    >>> sum_of_independent([even, even], step=1.0).chances.round(6)
    array([0.25, 0.5 , 0.25])
    """
    return sum_of(
        [
            Amounts(values=np.asarray(one.step * np.arange(len(one.chances))), chances=one.chances[None, :])
            for one in sums
        ],
        step=step,
    )
