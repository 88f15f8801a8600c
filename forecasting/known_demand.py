"""Demand from now until any day, from that until some days: for questions asked after a run."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import gammaln, xlog1py, xlogy

from forecasting.arrays import FloatArray, check
from forecasting.consumption import Window
from forecasting.demand import Demand

__all__ = ["KnownDemand"]

SPREADS = 8.0
"""Counts of a Poisson distribution are kept to so many standard deviations above its mean."""


@dataclass(frozen=True, kw_only=True)
class KnownDemand:
    """Demand from now until some days, and what it says of days between and beyond.

    Until a day in between: what is asked for until the next known day, each kit by then with the same chance (binomial
    thinning), so that the mean is linear between known days. Exact for Poisson counts at an uncertain rate. Beyond the
    last known day: Poisson, at the rate of the last stretch.

    Parameters
    ----------
    ends : tuple of float [days from now]
        In order.
    probabilities : tuple of float array, each of shape (n,) [1]
        P(D = 0), P(D = 1), ... until each of them.

    Raises
    ------
    InvalidInput
        If no demand is known, or the days aren't positive and in order.

    Examples
    --------
    >>> known = KnownDemand(ends=(10.0,), probabilities=(np.array([0.0, 1.0]),))
    >>> known.over((0.0, 2.5)).probabilities
    array([0.75, 0.25])
    """

    ends: tuple[float, ...]
    probabilities: tuple[FloatArray, ...]

    def __post_init__(self) -> None:
        """Refuse what says nothing of any day."""
        steps = np.diff([0.0, *self.ends])
        possible = 0 < len(self.ends) == len(self.probabilities) and bool((steps > 0.0).all())
        check(possible, f"`ends` must be positive and in order, each with its `probabilities`, got {self.ends}")

    @cached_property
    def means(self) -> FloatArray:
        """Expected until each end, in kits."""
        return np.array([float(pmf @ np.arange(len(pmf))) for pmf in self.probabilities])

    def over(self, window: Window) -> Demand:
        """Demand from now until a day.

        Parameters
        ----------
        window : (0, end] [days from now]
            Begins now.

        Returns
        -------
        Demand [kits]
            All of it as if unplanned.

        Raises
        ------
        InvalidInput
            If the window doesn't begin now, or doesn't end later.
        """
        start, end = window
        check(start == 0.0 < end < float("inf"), f"`window` must begin now and end later, got {window}")
        made = self._until(end)
        return Demand(probabilities=made, unplanned=float(made @ np.arange(len(made))), planned=0.0, turnaround=0.0)

    def _until(self, end: float) -> FloatArray:
        if end in self.ends:
            return self.probabilities[self.ends.index(end)]
        means = self.means
        if end > self.ends[-1]:
            before = (0.0, 0.0) if len(means) == 1 else (self.ends[-2], float(means[-2]))
            rate = max(0.0, (float(means[-1]) - before[1]) / (self.ends[-1] - before[0]))
            return np.asarray(np.convolve(self.probabilities[-1], _poisson(rate * (end - self.ends[-1]))))
        later = int(np.searchsorted(self.ends, end))
        expected = float(np.interp(end, [0.0, *self.ends], [0.0, *means]))
        return _thinned(self.probabilities[later], min(1.0, expected / means[later]) if means[later] > 0.0 else 1.0)


def _poisson(mean: float) -> FloatArray:
    counts = np.arange(int(mean + SPREADS * np.sqrt(mean)) + 9)
    chances = np.exp(xlogy(counts, mean) - mean - gammaln(counts + 1.0))
    return np.asarray(chances / chances.sum())


def _thinned(pmf: FloatArray, share: float) -> FloatArray:
    """Keep each kit with the same chance."""
    of, kept = np.arange(len(pmf))[:, None], np.arange(len(pmf))[None, :]
    fewer = np.maximum(of - kept, 0)
    ways = gammaln(of + 1.0) - gammaln(kept + 1.0) - gammaln(fewer + 1.0)
    chances = np.where(kept <= of, np.exp(ways + xlogy(kept, share) + xlog1py(fewer, -share)), 0.0)
    return np.asarray(pmf @ chances)
