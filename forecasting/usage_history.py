"""Kits without an installed base: monthly issues from the shelf in, a count distribution out."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from forecasting.arrays import FloatArray, IntArray, check, int_column
from forecasting.usage_rates import (
    SMOOTHING,
    Pattern,
    UsagePattern,
    checked_history,
    croston,
    sba,
    smoothing_weights,
    tsb,
    usage_pattern,
)

__all__ = ["Method", "UsageForecast", "net_issues", "usage_demand", "usage_forecast"]

SURPRISE = 0.05
"""A run of empty periods less likely than this under the mean interval is taken as use dying out."""
PRIOR_DEMANDS = 0.5
"""Jeffreys' prior of a Poisson rate: half a demand before anything was seen."""
TAIL = 1e-12


class Method(StrEnum):
    """Where the rate comes from."""

    CROSTON = "croston"
    SBA = "sba"
    TSB = "tsb"
    PLAIN = "plain rate"


@dataclass(frozen=True, kw_only=True)
class UsageForecast:
    """What an issue history says about the periods to come.

    Parameters
    ----------
    pattern : UsagePattern [words and periods]
        How demand came.
    method : Method [word]
        Where the rate comes from.
    rate : float [kits a period]
        Expected demand.
    demands : float [demands]
        Demands that the estimate rests on, counted by its weights, with half a demand of prior.
    sizes : float array, shape (n,) [1]
        P(size = 1), P(size = 2), ... of one demand; sums to 1.
    """

    pattern: UsagePattern
    method: Method
    rate: float
    demands: float
    sizes: FloatArray


def net_issues(issues: ArrayLike) -> IntArray:
    """Take what came back from the issues before it: the latest first.

    Parameters
    ----------
    issues : array_like, shape (n,) [kits a period]
        Issues less returns by period; negative where more came back than went out.

    Returns
    -------
    int array, shape (n,) [kits a period]
        Nowhere negative. Returns of what was never issued here count for nothing.

    References
    ----------
    None: returns belong to an earlier issue (common practice, no source).

    Examples
    --------
    >>> net_issues([3, 0, 2, -3, 1])
    array([2, 0, 0, 0, 1])
    """
    netted = np.array(int_column("issues", issues))
    for period in np.flatnonzero(netted < 0):
        owed, netted[period] = -netted[period], 0
        for earlier in range(period - 1, -1, -1):
            taken = min(owed, max(netted[earlier], 0))
            netted[earlier] -= taken
            owed -= taken
    return netted


def _dying_out(counts: IntArray, pattern: UsagePattern) -> bool:
    """Whether nothing was asked for longer than the mean interval explains."""
    empty = len(counts) - 1 - int(np.flatnonzero(counts)[-1])
    return bool((1.0 - 1.0 / pattern.interval) ** empty < SURPRISE)


def _sizes(counts: IntArray) -> FloatArray:
    """Sizes of one demand: those seen, and with the weight of one more a geometric size of the same mean."""
    seen = counts[counts > 0]
    if len(seen) == 0:
        return np.ones(1)
    mean = float(seen.mean())
    stay = 1.0 - 1.0 / mean
    longest = max(int(seen.max()), int(np.ceil(np.log(TAIL) / np.log(stay))) if stay > 0 else 1)
    geometric = stay ** np.arange(longest) / mean
    mixed = np.bincount(seen - 1, minlength=longest) + geometric / geometric.sum()
    return np.asarray(mixed / mixed.sum())


_RATES: dict[Method, Callable[[ArrayLike], float]] = {Method.CROSTON: croston, Method.SBA: sba, Method.TSB: tsb}


def usage_forecast(history: ArrayLike) -> UsageForecast:
    """Forecast a kit from its issues alone, by the method its pattern asks for.

    Smooth demand: Croston; every other pattern: SBA; use that seems to die out: TSB; below two demands: demands and
    half a one more, over the periods seen. What the estimate rests on is counted by its weights, 1 / sum of squares.

    Parameters
    ----------
    history : array_like, shape (n,) [kits a period]
        Whole, not negative (`net_issues`).

    Returns
    -------
    UsageForecast [kits a period]
        With what it rests on, for `usage_demand`.

    Raises
    ------
    InvalidInput
        If the history is empty or negative somewhere.

    References
    ----------
    Syntetos, Boylan & Croston (2005), Journal of the Operational Research Society 56:495-503 (which method where; from
    memory); Prak & Teunter (2019), International Journal of Forecasting 35 (uncertainty inside; abstract seen).

    Examples
    --------
    >>> usage_forecast([0, 0, 3, 0, 0, 0, 2, 0]).method
    <Method.SBA: 'sba'>
    """  # noqa: DOC502 (raised by checked_history)
    counts = checked_history(history)
    pattern = usage_pattern(counts)
    sizes = _sizes(counts)
    if pattern.demands < 2:
        demands = pattern.demands + PRIOR_DEMANDS
        rate = demands / len(counts) * float(sizes @ np.arange(1, len(sizes) + 1))
        return UsageForecast(pattern=pattern, method=Method.PLAIN, rate=rate, demands=demands, sizes=sizes)
    if _dying_out(counts, pattern):
        method, weights = Method.TSB, smoothing_weights(len(counts), SMOOTHING)
        rests_on = float(weights @ (counts > 0)) / float(weights @ weights)
    else:
        method = Method.CROSTON if pattern.pattern is Pattern.SMOOTH else Method.SBA
        weights = smoothing_weights(pattern.demands, SMOOTHING)
        rests_on = 1.0 / float(weights @ weights)
    demands = rests_on + PRIOR_DEMANDS
    return UsageForecast(pattern=pattern, method=method, rate=_RATES[method](counts), demands=demands, sizes=sizes)


def usage_demand(forecast: UsageForecast, *, periods: float) -> FloatArray:
    """Distribution of the demand in the periods to come, with the uncertainty of the rate inside.

    Demands come as Poisson with a gamma rate (so their number is negative binomial), each of a random size.

    Parameters
    ----------
    forecast : UsageForecast [kits a period]
        What the history says.
    periods : float, above 0 [periods]
        How long; part of a period counts as such.

    Returns
    -------
    float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...; sums to 1, mean rate * periods.

    Raises
    ------
    InvalidInput
        If `periods` isn't above 0.

    References
    ----------
    Feller (1968), An Introduction to Probability Theory and Its Applications 1, XII.2 (compound Poisson; from memory).

    Examples
    --------
    >>> usage_demand(usage_forecast([0] * 12), periods=12.0).round(4)[:3]
    array([0.7071, 0.1768, 0.0663])
    """
    check(bool(np.isfinite(periods)) and periods > 0, f"`periods` must be above 0, got {periods}")
    size_mean = float(forecast.sizes @ np.arange(1, len(forecast.sizes) + 1))
    size_square = float(forecast.sizes @ np.arange(1, len(forecast.sizes) + 1) ** 2)
    spread = forecast.rate * periods / size_mean / forecast.demands  # scale of the gamma rate
    mean = forecast.rate * periods
    deviation = np.sqrt(forecast.demands * spread * size_square + forecast.demands * (spread * size_mean) ** 2)
    # gamma and geometric tails fall like exp(-x / longest), so this many standard deviations hold all but 1e-12
    size = 1 << int(np.ceil(np.log2(mean + 40.0 * deviation + 40.0 * spread * size_mean + len(forecast.sizes) + 30.0)))
    one = np.fft.rfft(np.concatenate(([0.0], forecast.sizes)), size)
    pmf = np.clip(np.fft.irfft((1.0 + spread * (1.0 - one)) ** -forecast.demands, size), 0.0, None)
    kept = int(np.searchsorted(np.cumsum(pmf / pmf.sum()), 1.0 - TAIL)) + 1
    return np.asarray(pmf[:kept] / pmf[:kept].sum())
