"""How long demand must be covered: lead time with its spread, and the wait for the next review."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import roots_genlaguerre, roots_hermitenorm, roots_legendre

from forecasting.arrays import FloatArray, check

__all__ = ["CoverTimes", "cover_times"]

REGULAR = 100.0
"""Above this (mean / spread)^2 a gamma lead time is as good as normal, and its nodes overflow."""


@dataclass(frozen=True, kw_only=True)
class CoverTimes:
    """Times that demand must be covered for, from reaching the reorder point to the arrival of what it triggers.

    Parameters
    ----------
    days : float array, shape (n,) [days]
        Quadrature nodes of lead time + time to the next review.
    weights : float array, shape (n,) [1]
        Sum to 1.
    """

    days: FloatArray
    weights: FloatArray


def _lead_times(mean: float, spread: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of a gamma lead time."""
    if spread <= 0.0:
        return np.array([mean]), np.ones(1)
    shape = (mean / spread) ** 2
    if shape > REGULAR:
        nodes, weights = roots_hermitenorm(4)
        return mean + spread * nodes, weights / weights.sum()
    nodes, weights = roots_genlaguerre(4, shape - 1.0)
    return nodes * mean / shape, weights / weights.sum()


def cover_times(*, lead_time: float, lead_time_spread: float, review_period: float) -> CoverTimes:
    """Distribution of lead time plus time to the next review, as quadrature nodes.

    Lead time gamma with this mean and standard deviation, time to the next review uniform over the review period.

    Parameters
    ----------
    lead_time, lead_time_spread : float [days]
        Mean and standard deviation.
    review_period : float [days]
        Between reviews; 0: stock is looked at all the time.

    Returns
    -------
    CoverTimes [days]
        At most 12 nodes, all positive.

    Raises
    ------
    InvalidInput
        If a time is negative, or lead time and review period are both 0.

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, chapter 6 (lead time plus review
    interval; from memory); Gauss quadrature nodes from scipy.special.

    Examples
    --------
    >>> times = cover_times(lead_time=60.0, lead_time_spread=15.0, review_period=14.0)
    >>> round(float(times.days @ times.weights), 6)
    67.0
    """
    possible = min(lead_time, lead_time_spread, review_period) >= 0 and lead_time + review_period > 0
    check(possible, f"times must not be negative nor all 0, got {lead_time}, {lead_time_spread}, {review_period}")
    waits, wait_weights = (np.zeros(1), np.ones(1)) if review_period == 0 else roots_legendre(3)
    waits, wait_weights = (waits + 1.0) * review_period / 2.0, wait_weights / wait_weights.sum()
    leads, lead_weights = _lead_times(lead_time, lead_time_spread) if lead_time else (np.zeros(1), np.ones(1))
    pairs = list(product(zip(leads, lead_weights, strict=True), zip(waits, wait_weights, strict=True)))
    return CoverTimes(
        days=np.array([max(lead + wait, 1e-3) for (lead, _), (wait, _) in pairs]),
        weights=np.array([a * b for (_, a), (_, b) in pairs]),
    )
