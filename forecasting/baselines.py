"""What a forecast must beat: demand by period in, rates of simple methods out, each a Poisson distribution."""

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln

from forecasting.arrays import FloatArray, check
from forecasting.usage_rates import checked_history, sba, tsb

__all__ = ["Baseline", "baseline_rates", "poisson_distribution", "smoothed_level"]

STEPS = 100
"""Smoothing constants tried between 0 and 1, and again between the neighbours of the best."""
TAIL = 1e-12


class Baseline(StrEnum):
    """A simple method."""

    MEAN = "plain mean rate"
    SBA = "SBA"
    TSB = "TSB"
    SMOOTHING = "exponential smoothing"


def _levels(history: FloatArray, constants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sum of squared errors and last level, each shape (constants,), the first level by least squares.

    Every level is a + b * first level, so the errors are linear in it.
    """
    fixed, weight = np.zeros(len(constants)), np.ones(len(constants))
    residuals, slopes = np.empty((2, len(history), len(constants)))
    for period, demand in enumerate(history):
        residuals[period], slopes[period] = demand - fixed, weight
        fixed, weight = fixed + constants * (demand - fixed), weight * (1.0 - constants)
    first = (residuals * slopes).sum(axis=0) / (slopes**2).sum(axis=0)
    return ((residuals - slopes * first) ** 2).sum(axis=0), fixed + weight * first


def smoothed_level(history: ArrayLike) -> float:
    """Exponentially smoothed demand, smoothing constant and first level by least squares of the one-step errors.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        Whole, not negative.

    Returns
    -------
    float [kits a period]
        The last level, at least 0.

    Raises
    ------
    InvalidInput
        If the history is empty or negative somewhere.

    References
    ----------
    Brown (1959), Statistical Forecasting for Inventory Control (from memory); statsmodels 0.15.0 gives the same values.

    Examples
    --------
    >>> smoothed_level([2, 2, 2, 2])
    2.0
    """  # noqa: DOC502 (raised by checked_history)
    counts = checked_history(history).astype(np.float64)
    low, high = 0.0, 1.0
    for _ in range(3):
        constants = np.linspace(low, high, STEPS + 1)
        errors, levels = _levels(counts, constants)
        best = int(errors.argmin())
        low, high = constants[max(best - 1, 0)], constants[min(best + 1, STEPS)]
    return max(float(levels[best]), 0.0)


def baseline_rates(history: ArrayLike) -> dict[Baseline, float]:
    """Rates that simple methods give.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        Whole, not negative.

    Returns
    -------
    dict from Baseline to float [kits a period]
        0 everywhere if there was no demand.

    Raises
    ------
    InvalidInput
        If the history is empty or negative somewhere.

    References
    ----------
    As named by `sba`, `tsb` and `smoothed_level`.

    Examples
    --------
    >>> rates = baseline_rates([0, 0, 3, 0, 0, 0, 2, 0])
    >>> [round(rate, 4) for rate in rates.values()][:3]
    [0.625, 0.8887, 0.4322]
    """  # noqa: DOC502 (raised by checked_history)
    counts = checked_history(history)
    if not counts.any():
        return dict.fromkeys(Baseline, 0.0)
    return {
        Baseline.MEAN: float(counts.mean()),
        Baseline.SBA: sba(counts),
        Baseline.TSB: tsb(counts),
        Baseline.SMOOTHING: smoothed_level(counts),
    }


def poisson_distribution(mean: float) -> FloatArray:
    """Poisson distribution, cut where 1e-12 is left.

    Parameters
    ----------
    mean : float [kits]
        At least 0.

    Returns
    -------
    float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...; sums to 1.

    Raises
    ------
    InvalidInput
        If the mean is negative or not finite.

    References
    ----------
    None: the definition.

    Examples
    --------
    >>> poisson_distribution(0.5)[:2].round(4)
    array([0.6065, 0.3033])
    """
    check(0.0 <= mean < np.inf, f"`mean` must be finite and not negative, got {mean}")
    if mean == 0.0:
        return np.ones(1)
    counts = np.arange(int(np.ceil(mean + 12.0 * np.sqrt(mean) + 30.0)))
    chances = np.exp(counts * np.log(mean) - mean - gammaln(counts + 1.0))
    kept = int(np.searchsorted(np.cumsum(chances), 1.0 - TAIL)) + 1
    return np.asarray(chances[:kept] / chances[:kept].sum())
