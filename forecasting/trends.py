"""Is a rebuilt valve as good as new? Trend tests on the failures of many valves, each watched for its own time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtrc, ndtr

from forecasting.arrays import check, check_same_length, float_column

__all__ = ["TrendTests", "trend_tests"]


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
    length = float_column("watched", watched)
    check(bool(((length > 0) & np.isfinite(length)).all()), f"`watched` must be positive and finite, got {length}")
    check_same_length(failures=list(failures), watched=length)
    days = [float_column("failures", one) for one in failures]
    total = np.repeat(length, [len(one) for one in days])
    day = np.concatenate([np.zeros(0), *days])
    check(bool(((day >= 0) & (day <= total)).all()), "`failures` must lie within `watched`")
    if not len(day):
        return None
    when = np.minimum(np.maximum(day, 0.5), total)
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
