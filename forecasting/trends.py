"""Is a rebuilt valve as good as new? Trend tests on the failures of many valves, each watched for its own time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtrc, ndtr

from forecasting.arrays import FloatArray, check, check_same_length, float_column

__all__ = ["PowerLaw", "TrendTests", "power_law", "trend_tests"]

SHAPES = (1e-3, 1e3)
"""Between these the shape of a power law is looked for."""
HALVINGS = 60


@dataclass(frozen=True, kw_only=True)
class TrendTests:
    """Two tests of a constant rate of failures, pooled over valves.

    Parameters
    ----------
    failures : int [failures]
        Failures in the watch.
    laplace, laplace_p : float [1]
        Standard normal if the rate is constant, positive when failures come ever faster; two-sided p-value.
    mil_hdbk_189, mil_hdbk_189_p : float [1]
        Chi-squared with 2 x failures degrees of freedom if the rate is constant, small when failures come ever faster;
        two-sided p-value.
    """

    failures: int
    laplace: float
    laplace_p: float
    mil_hdbk_189: float
    mil_hdbk_189_p: float


@dataclass(frozen=True, kw_only=True)
class PowerLaw:
    """How strong a trend is: mean failures of one valve by t days are (t / scale)^shape.

    Parameters
    ----------
    shape : float [1]
        1 if the rate is constant, above if failures come ever faster.
    scale : float [days]
        By which a valve is expected to have failed once.
    likelihood_ratio, p : float [1]
        Of a constant rate; chi-squared with 1 degree of freedom, and its p-value.
    """

    shape: float
    scale: float
    likelihood_ratio: float
    p: float


@dataclass(frozen=True, kw_only=True)
class _Pooled:
    """Failures and the watches they fell in, shape (failures,); all watches, shape (valves,)."""

    when: FloatArray
    total: FloatArray
    length: FloatArray


def _pooled(failures: Sequence[ArrayLike], watched: ArrayLike) -> _Pooled:
    """Check and pool; a failure on the first day counts as half a day in."""
    length = float_column("watched", watched)
    check(bool(((length > 0) & np.isfinite(length)).all()), f"`watched` must be positive and finite, got {length}")
    check_same_length(failures=list(failures), watched=length)
    days = [float_column("failures", one) for one in failures]
    total = np.repeat(length, [len(one) for one in days])
    day = np.concatenate([np.zeros(0), *days])
    check(bool(((day >= 0) & (day <= total)).all()), "`failures` must lie within `watched`")
    return _Pooled(when=np.minimum(np.maximum(day, 0.5), total), total=total, length=length)


def trend_tests(failures: Sequence[ArrayLike], *, watched: ArrayLike) -> TrendTests | None:
    """Test whether failures come faster or slower as time goes on, all valves pooled.

    Parameters
    ----------
    failures : sequence of array_like, one per valve [days]
        Days of its failures since its watch began; a failure on the first day counts as half a day in.
    watched : array_like, shape (valves,) [days]
        How long each was watched, ended by time and not by a failure.

    Returns
    -------
    TrendTests or None [1]
        None without a failure: nothing to test.

    Raises
    ------
    InvalidInput
        If a failure lies outside its watch, or a watch isn't positive and finite.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.3.4 (definitions seen; its result 37.23 from memory);
    MIL-HDBK-189 (1981).

    Examples
    --------
    >>> repairs = [[5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]]
    >>> tests = trend_tests(repairs, watched=[1500])
    >>> round(tests.laplace, 6), round(tests.mil_hdbk_189, 6)
    (-1.326949, 37.228081)
    """
    pooled = _pooled(failures, watched)
    when, total = pooled.when, pooled.total
    if not len(when):
        return None
    laplace = float((when - total / 2.0).sum() / np.sqrt((total**2).sum() / 12.0))
    chi_squared, freedom = float(2.0 * np.log(total / when).sum()), 2.0 * len(when)
    tails = chdtr(freedom, chi_squared), chdtrc(freedom, chi_squared)
    return TrendTests(
        failures=len(when),
        laplace=laplace,
        laplace_p=float(2.0 * ndtr(-abs(laplace))),
        mil_hdbk_189=chi_squared,
        mil_hdbk_189_p=float(min(1.0, 2.0 * min(tails))),
    )


def power_law(failures: Sequence[ArrayLike], *, watched: ArrayLike) -> PowerLaw | None:
    """Fit a rate of failures that grows or falls as a power of time, the same for all valves.

    Maximum likelihood of a Poisson process; it says how strong a trend is, the trend tests whether there is one.

    Parameters
    ----------
    failures : sequence of array_like, one per valve [days]
        Days of its failures since its watch began; a failure on the first day counts as half a day in.
    watched : array_like, shape (valves,) [days]
        How long each was watched, ended by time and not by a failure.

    Returns
    -------
    PowerLaw or None [1]
        None without a failure, or where the likelihood has no maximum: every failure at the end of the longest watch.

    Raises
    ------
    InvalidInput
        If a failure lies outside its watch, or a watch isn't positive and finite.

    References
    ----------
    Crow (1974), Reliability analysis for complex repairable systems; MIL-HDBK-189 (1981), appendix C (its values as
    pinned in an open test suite; the equations for watches of several lengths from memory).

    Examples
    --------
    >>> round(power_law([[5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]], watched=[1500]).shape, 6)
    0.537229
    """
    pooled = _pooled(failures, watched)
    longest, count = pooled.length.max(initial=1.0), len(pooled.when)
    early, lengths = float(np.log(pooled.when / longest).sum()), np.log(pooled.length / longest)
    low, high = np.log(SHAPES)
    for _ in range(HALVINGS if count else 0):
        shape = np.exp((low + high) / 2.0)
        weight = np.exp(shape * lengths)
        # the slope of the log-likelihood falls all the way
        rising = count / shape + early - count * float(weight @ lengths) / float(weight.sum()) > 0
        low, high = ((low + high) / 2.0, high) if rising else (low, (low + high) / 2.0)
    shape = float(np.exp(low))
    if not count or shape > SHAPES[1] / 2.0:
        return None
    height = [
        count * np.log(one) - count * np.log(np.exp(one * lengths).sum() / count) + (one - 1.0) * early
        for one in (1.0, shape)
    ]
    ratio = max(0.0, float(2.0 * (height[1] - height[0])))
    return PowerLaw(
        shape=shape,
        scale=float(longest * (np.exp(shape * lengths).sum() / count) ** (1.0 / shape)),
        likelihood_ratio=ratio,
        p=float(chdtrc(1, ratio)),
    )
