"""Rates and patterns of intermittent demand: an issue history in, kits a period out."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from forecasting.arrays import FloatArray, IntArray, check, int_column

__all__ = ["Pattern", "UsagePattern", "checked_history", "croston", "sba", "smoothing_weights", "tsb", "usage_pattern"]

LONG_INTERVAL, UNEVEN_SIZES = 1.32, 0.49
"""Cut-offs of Syntetos, Boylan & Croston (2005) for the mean interval and the squared coefficient of variation."""
SMOOTHING = 0.1
"""Usual constant for intermittent demand (common practice, no source)."""


class Pattern(StrEnum):
    """How demand comes, by mean interval and evenness of sizes."""

    SMOOTH = "smooth"
    INTERMITTENT = "intermittent"
    ERRATIC = "erratic"
    LUMPY = "lumpy"
    SINGLE = "single demand"
    NONE = "no demand"


@dataclass(frozen=True, kw_only=True)
class UsagePattern:
    """How the demand for a kit comes.

    Parameters
    ----------
    pattern : Pattern [word]
        By the two measures beneath.
    interval : float [periods]
        Periods over periods with demand; infinite without demand.
    cv_squared : float or None [1]
        Squared coefficient of variation of the sizes, variance with divisor n - 1; None below two demands.
    demands : int [periods]
        Periods with demand.
    """

    pattern: Pattern
    interval: float
    cv_squared: float | None
    demands: int


def checked_history(values: ArrayLike) -> IntArray:
    """Take a demand history that can be one.

    Parameters
    ----------
    values : array_like, shape (n,) [kits a period]
        Whole, not negative, at least one period.

    Returns
    -------
    int array, shape (n,) [kits a period]
        Read-only.

    Raises
    ------
    InvalidInput
        If it is empty or negative somewhere.

    References
    ----------
    None: a check of input.

    Examples
    --------
    >>> checked_history([0, 2])
    array([0, 2])
    """  # noqa: DOC502 (raised by check)
    history = int_column("history", values)
    check(len(history) > 0, "`history` needs at least one period")
    check(bool((history >= 0).all()), f"`history` must not be negative (net it first), got {history.tolist()}")
    return history


def usage_pattern(history: ArrayLike) -> UsagePattern:
    """Say how demand comes: smooth, intermittent, erratic or lumpy.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        Whole, not negative.

    Returns
    -------
    UsagePattern [words and periods]
        Smooth: interval below 1.32 and squared coefficient of variation below 0.49; intermittent: only the interval is
        longer; erratic: only the sizes are uneven; lumpy: both.

    Raises
    ------
    InvalidInput
        If the history is empty or negative somewhere.

    References
    ----------
    Syntetos, Boylan & Croston (2005), Journal of the Operational Research Society 56:495-503 (cut-offs seen in a
    package's documentation).

    Examples
    --------
    >>> usage_pattern([0, 0, 3, 0, 0, 0, 2, 0]).pattern
    <Pattern.INTERMITTENT: 'intermittent'>
    """  # noqa: DOC502 (raised by checked_history)
    counts = checked_history(history)
    sizes = counts[counts > 0]
    demands = len(sizes)
    if demands == 0:
        return UsagePattern(pattern=Pattern.NONE, interval=np.inf, cv_squared=None, demands=0)
    interval = len(counts) / demands
    if demands == 1:
        return UsagePattern(pattern=Pattern.SINGLE, interval=interval, cv_squared=None, demands=1)
    cv_squared = float(sizes.var(ddof=1) / sizes.mean() ** 2)
    patterns = (Pattern.SMOOTH, Pattern.INTERMITTENT), (Pattern.ERRATIC, Pattern.LUMPY)
    pattern = patterns[cv_squared >= UNEVEN_SIZES][interval >= LONG_INTERVAL]
    return UsagePattern(pattern=pattern, interval=interval, cv_squared=cv_squared, demands=demands)


def smoothing_weights(n: int, smoothing: float) -> FloatArray:
    """Weights of n values in their exponentially smoothed level begun at the first.

    Parameters
    ----------
    n : int [values]
        How many.
    smoothing : float in (0, 1) [1]
        Weight of the latest.

    Returns
    -------
    float array, shape (n,) [1]
        Oldest first; sum 1.

    References
    ----------
    Croston (1972), Operational Research Quarterly 23:289-303 (from memory).

    Examples
    --------
    >>> smoothing_weights(3, 0.5)
    array([0.25, 0.25, 0.5 ])
    """
    weights = smoothing * (1.0 - smoothing) ** np.arange(n - 1, -1, -1.0)
    weights[0] = (1.0 - smoothing) ** (n - 1)
    return np.asarray(weights)


def croston(history: ArrayLike, *, smoothing: float = SMOOTHING) -> float:
    """Mean demand a period: smoothed size over smoothed interval, both moved at demands only.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        At least one demand.
    smoothing : float in (0, 1) [1]
        Weight of the latest size and interval.

    Returns
    -------
    float [kits a period]
        The first interval counts from the beginning of the history.

    Raises
    ------
    InvalidInput
        If there is no demand, or the history is negative somewhere.

    References
    ----------
    Croston (1972), Operational Research Quarterly 23:289-303 (from memory); statsforecast 2.1.1 gives the same values.

    Examples
    --------
    >>> round(croston([0, 0, 3, 0, 0, 0, 2, 0]), 4)
    0.9355
    """
    counts = checked_history(history)
    at = np.flatnonzero(counts)
    check(len(at) > 0, "`history` needs a demand")
    weights = smoothing_weights(len(at), smoothing)
    return float(weights @ counts[at] / (weights @ np.diff(at, prepend=-1)))


def sba(history: ArrayLike, *, smoothing: float = SMOOTHING) -> float:
    """Croston's mean demand without most of its upward bias: times 1 - smoothing / 2.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        At least one demand.
    smoothing : float in (0, 1) [1]
        Weight of the latest size and interval.

    Returns
    -------
    float [kits a period]
        Mean demand.

    Raises
    ------
    InvalidInput
        As `croston`.

    References
    ----------
    Syntetos & Boylan (2005), International Journal of Forecasting 21:303-314 (from memory; the factor seen in two
    packages' documentation).

    Examples
    --------
    >>> round(sba([0, 0, 3, 0, 0, 0, 2, 0]), 4)
    0.8887
    """  # noqa: DOC502 (raised by croston)
    return croston(history, smoothing=smoothing) * (1.0 - smoothing / 2.0)


def tsb(history: ArrayLike, *, smoothing: float = SMOOTHING, probability_smoothing: float = SMOOTHING) -> float:
    """Mean demand a period: smoothed size times smoothed chance of demand, the chance moved in every period.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        At least one demand.
    smoothing, probability_smoothing : float in (0, 1) [1]
        Weight of the latest size, and of the latest period.

    Returns
    -------
    float [kits a period]
        Falls while nothing is asked for.

    Raises
    ------
    InvalidInput
        If there is no demand, or the history is negative somewhere.

    References
    ----------
    Teunter, Syntetos & Babai (2011), European Journal of Operational Research 214:606-615 (from memory);
    statsforecast 2.1.1 gives the same values.

    Examples
    --------
    >>> round(tsb([0, 0, 3, 0, 0, 0, 2, 0]), 4)
    0.4322
    """
    counts = checked_history(history)
    at = np.flatnonzero(counts)
    check(len(at) > 0, "`history` needs a demand")
    size = smoothing_weights(len(at), smoothing) @ counts[at]
    return float(size * (smoothing_weights(len(counts), probability_smoothing) @ (counts > 0)))
