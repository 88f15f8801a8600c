"""Families of lifetimes on one path: log T = mu + sigma Z, each family one standard distribution of Z.

All a likelihood or projection needs of Z is its cumulative hazard and how that grows.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import expit, log_ndtr, ndtri

from forecasting.arrays import FloatArray

__all__ = ["STANDARD", "Family", "Standard"]

SURE = 300.0
"""Log of a cumulative hazard, or a hazard over an interval, beyond which failure counts as certain."""
LOG_ROOT_TWO_PI = 0.5 * float(np.log(2.0 * np.pi))


class Family(StrEnum):
    """A family of lifetimes; shape = 1 / sigma and scale = exp(mu) for each."""

    EXPONENTIAL = "exponential"
    WEIBULL = "weibull"
    LOGNORMAL = "lognormal"
    LOGLOGISTIC = "loglogistic"


@dataclass(frozen=True, kw_only=True)
class Growth:
    """Cumulative hazard of Z and its growth.

    Parameters
    ----------
    cumulative, hazard, bend : float array [1]
        H(z), its first and its second derivative.
    log_hazard, turn, twist : float array [1]
        log H'(z), its first and its second derivative.
    """

    cumulative: FloatArray
    hazard: FloatArray
    bend: FloatArray
    log_hazard: FloatArray
    turn: FloatArray
    twist: FloatArray


@dataclass(frozen=True, kw_only=True)
class Standard:
    """The standard distribution of a family.

    Parameters
    ----------
    growth : callable from float array to Growth [1]
        All at once, from z.
    quantile : callable from float to float [1]
        z that so much of the distribution lies below.
    slope_over_weibull, shift_over_weibull : float [1]
        Where a search begins: shape and log scale of a like Weibull (of shape 1), as a factor and a shift.
    """

    growth: Callable[[FloatArray], Growth]
    quantile: Callable[[float], float]
    slope_over_weibull: float
    shift_over_weibull: float


def _extreme(z: FloatArray) -> Growth:
    """Take Z smallest extreme value: H = exp(z)."""
    level = np.exp(np.minimum(z, SURE))
    still = np.zeros_like(z)
    return Growth(cumulative=level, hazard=level, bend=level, log_hazard=z, turn=np.ones_like(z), twist=still)


def _normal(z: FloatArray) -> Growth:
    """Take Z standard normal: H = -log(1 - Phi(z)); its hazard is the inverse of Mills' ratio."""
    cumulative = -log_ndtr(-z)
    log_hazard = cumulative - z**2 / 2.0 - LOG_ROOT_TWO_PI
    hazard = np.exp(np.minimum(log_hazard, SURE))
    turn = hazard - z
    bend = hazard * turn
    return Growth(cumulative=cumulative, hazard=hazard, bend=bend, log_hazard=log_hazard, turn=turn, twist=bend - 1.0)


def _logistic(z: FloatArray) -> Growth:
    """Take Z standard logistic: H = log(1 + exp(z))."""
    hazard = expit(z)
    left = expit(-z)
    bend = hazard * left
    return Growth(
        cumulative=np.logaddexp(0.0, z),
        hazard=hazard,
        bend=bend,
        log_hazard=-np.logaddexp(0.0, -z),
        turn=left,
        twist=-bend,
    )


def _extreme_quantile(probability: float) -> float:
    return float(np.log(-np.log1p(-probability)))


def _normal_quantile(probability: float) -> float:
    return float(ndtri(probability))


def _logistic_quantile(probability: float) -> float:
    return float(np.log(probability) - np.log1p(-probability))


EXTREME = Standard(growth=_extreme, quantile=_extreme_quantile, slope_over_weibull=1.0, shift_over_weibull=0.0)
STANDARD = {
    Family.EXPONENTIAL: EXTREME,
    Family.WEIBULL: EXTREME,
    # equal variance of log T, pi^2 / 6 against 1 and pi^2 / 3; the mean of log T lies Euler's constant lower
    Family.LOGNORMAL: Standard(
        growth=_normal, quantile=_normal_quantile, slope_over_weibull=np.sqrt(6.0) / np.pi, shift_over_weibull=-0.5772
    ),
    Family.LOGLOGISTIC: Standard(
        growth=_logistic, quantile=_logistic_quantile, slope_over_weibull=np.sqrt(2.0), shift_over_weibull=-0.5772
    ),
}
