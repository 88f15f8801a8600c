"""From failures of many places to the mean number by age, with limits that let failures of one place hang together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from forecasting.arrays import FloatArray, check, check_same_length, float_column

__all__ = ["MeanCumulative", "mean_cumulative"]


@dataclass(frozen=True, kw_only=True)
class MeanCumulative:
    """Mean number of failures of one place by age, with robust pointwise limits.

    Parameters
    ----------
    age : float array, shape (m,) [days]
        Ages at which something failed.
    at_risk, failures : float array, shape (m,) [places, failures]
        Places still watched at that age; what failed at it.
    mean, standard_error : float array, shape (m,) [failures per place]
        By that age.
    lower, upper : float array, shape (m,) [failures per place]
        Limits, symmetric on the logarithm.
    """

    age: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    lower: FloatArray
    upper: FloatArray


def mean_cumulative(events: Sequence[ArrayLike], *, watched: ArrayLike, level: float = 0.95) -> MeanCumulative:
    """Mean number of failures of one place by age, whatever makes them come: no renewal assumed.

    M(t) = sum over ages of failures / places watched; the robust variance sums, place by place, the square of what its
    own failures exceed the mean by, so failures of one place may hang together.

    Parameters
    ----------
    events : sequence of array_like, one per place [days]
        Ages at its failures.
    watched : array_like, shape (places,) [days]
        Age at which its watch ended; it leaves after the failures of that age.
    level : float in (0, 1) [1]
        Of the limits, pointwise.

    Returns
    -------
    MeanCumulative [failures per place]
        One step per age at which something failed.

    Raises
    ------
    InvalidInput
        If the lengths differ, a failure lies outside its watch, or `level` is out of range.

    References
    ----------
    Lawless & Nadeau (1995), Technometrics 37:158-168; Nelson (1995), Technometrics 37:147-157 (the valve seats, data
    seen; formulas from memory).

    Examples
    --------
    >>> mean_cumulative([[5.0, 8.0], [8.0]], watched=[9.0, 10.0]).mean
    array([0.5, 1.5])
    """
    check(0.0 < level < 1.0, f"`level` must lie between 0 and 1, got {level!r}")
    ends = float_column("watched", watched)
    check_same_length(events=list(events), watched=ends)
    failed_at = [float_column("events", one) for one in events]
    place = np.repeat(np.arange(len(ends)), [len(one) for one in failed_at])
    when = np.concatenate([np.zeros(0), *failed_at])
    check(bool(((when >= 0) & (when <= ends[place])).all()), "`events` must lie within `watched`")
    normal = float(ndtri(0.5 + level / 2.0))
    age, number = np.unique(when, return_inverse=True)
    counts = np.zeros((len(ends), len(age)))
    np.add.at(counts, (place, number), 1.0)
    watching = ends[:, None] >= age
    at_risk, failures = watching.sum(axis=0).astype(np.float64), counts.sum(axis=0)
    excess = watching / at_risk * (counts - failures / at_risk)
    mean, error = np.cumsum(failures / at_risk), np.sqrt((np.cumsum(excess, axis=1) ** 2).sum(axis=0))
    spread = np.exp(normal * error / mean)
    return MeanCumulative(
        age=age,
        at_risk=at_risk,
        failures=failures,
        mean=mean,
        standard_error=error,
        lower=mean / spread,
        upper=mean * spread,
    )
