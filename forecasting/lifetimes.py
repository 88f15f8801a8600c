"""Lifetime distributions: one formula each, the cumulative hazard; everything else follows from it."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gamma

from forecasting.arrays import FloatArray, check

__all__ = ["Lifetime", "Weibull", "failure_probability"]


class Lifetime(Protocol):
    """What a projection needs to know of a lifetime."""

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard at `age` days."""

    def quantile(self, probability: float) -> float:
        """Age in days by which this share has failed."""


@dataclass(frozen=True, kw_only=True)
class Weibull:
    """Weibull lifetime: S(t) = exp(-(t / scale)^shape).

    Parameters
    ----------
    scale : float [days]
        The characteristic life: 63.2 % have failed by then.
    shape : float [1]
        Below 1 early failures, 1 a constant rate, above 1 wear-out.

    Raises
    ------
    InvalidInput
        If scale or shape isn't positive and finite.
    """

    scale: float
    shape: float

    def __post_init__(self) -> None:
        """Refuse impossible parameters."""
        holds = 0.0 < self.scale < np.inf and 0.0 < self.shape < np.inf
        check(holds, f"`scale` and `shape` must be positive and finite, got {self.scale!r} and {self.shape!r}")

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard H(t) = (t / scale)^shape at `age` days."""
        return (np.asarray(age, dtype=np.float64) / self.scale) ** self.shape

    def survival(self, age: ArrayLike) -> FloatArray:
        """Probability of surviving beyond `age` days."""
        return np.exp(-self.cumulative_hazard(age))

    def quantile(self, probability: float) -> float:
        """Age in days by which this share has failed (0.1: the B10 life)."""
        return float(self.scale * (-np.log1p(-probability)) ** (1.0 / self.shape))

    @property
    def mean(self) -> float:
        """Mean life in days."""
        return float(self.scale * gamma(1.0 + 1.0 / self.shape))


def failure_probability(lifetime: Lifetime, *, age: ArrayLike, days: ArrayLike) -> FloatArray:
    """Chance that an item of this age fails within so many days, never renewed in between.

    1 - S(age + days) / S(age), as a difference of cumulative hazards.

    Parameters
    ----------
    lifetime : Lifetime [days]
        How long such items last.
    age : array_like [days]
        Age now.
    days : array_like [days]
        Length of the look ahead; broadcast against `age`.

    Returns
    -------
    float array [1]
        In [0, 1], exact to rounding also far in the tail.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 12.7 (bearing cage; the book's
    number from memory, the data seen).

    Examples
    --------
    >>> failure_probability(Weibull(scale=1000.0, shape=1.0), age=[0.0, 500.0], days=100.0).round(6)
    array([0.095163, 0.095163])
    """
    start = np.asarray(age, dtype=np.float64)
    end = start + np.asarray(days, dtype=np.float64)
    return -np.expm1(lifetime.cumulative_hazard(start) - lifetime.cumulative_hazard(end))
