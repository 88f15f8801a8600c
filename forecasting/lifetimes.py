"""Lifetime distributions: one formula each, the cumulative hazard; everything else follows from it."""

from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gamma

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.families import STANDARD, Family

__all__ = [
    "Exponential",
    "Fitted",
    "Lifetime",
    "LogLogistic",
    "Lognormal",
    "Weibull",
    "failure_probability",
    "hazard_ahead",
    "lifetime_from_logs",
    "lifetime_of",
]


LEAST_SPREAD = 1.0 / np.sqrt(12.0)
"""Dates are whole days: nothing tells lives apart by less than the standard deviation of a uniform day."""


class Lifetime(Protocol):
    """What a projection needs to know of a lifetime."""

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard at `age` days."""

    def quantile(self, probability: float) -> float:
        """Age in days by which this share has failed."""


def _refuse(lifetime: "Fitted") -> None:
    """Refuse impossible parameters.

    Raises
    ------
    InvalidInput
        If one isn't positive and finite.
    """
    if not (0.0 < lifetime.scale < np.inf and 0.0 < lifetime.shape < np.inf):
        raise InvalidInput(
            f"`scale` and `shape` must be positive and finite, got {lifetime.scale!r} and {lifetime.shape!r}"
        )


def _cumulative_hazard(lifetime: "Fitted", age: ArrayLike) -> FloatArray:
    """Cumulative hazard at `age` days."""
    days = np.asarray(age, dtype=np.float64)
    born = days > 0
    z = lifetime.shape * np.log(np.where(born, days, lifetime.scale) / lifetime.scale)
    return np.where(born, STANDARD[lifetime.family].growth(z).cumulative, 0.0)


def _survival(lifetime: "Fitted", age: ArrayLike) -> FloatArray:
    """Probability of surviving beyond `age` days."""
    return np.exp(-lifetime.cumulative_hazard(age))


def _quantile(lifetime: "Fitted", probability: float) -> float:
    """Age in days by which this share has failed (0.1: the B10 life)."""
    return float(lifetime.scale * np.exp(STANDARD[lifetime.family].quantile(probability) / lifetime.shape))


@dataclass(frozen=True, kw_only=True)
class Exponential:
    """Exponential lifetime: S(t) = exp(-t / scale), a constant rate.

    Parameters
    ----------
    scale : float [days]
        The mean life.

    Raises
    ------
    InvalidInput
        If the scale isn't positive and finite.
    """

    family: ClassVar[Family] = Family.EXPONENTIAL
    scale: float
    shape: ClassVar[float] = 1.0

    cumulative_hazard = _cumulative_hazard
    survival = _survival
    quantile = _quantile

    def __post_init__(self) -> None:
        """Refuse impossible parameters."""
        _refuse(self)

    @property
    def mean(self) -> float:
        """Mean life in days."""
        return self.scale


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

    family: ClassVar[Family] = Family.WEIBULL
    scale: float
    shape: float

    survival = _survival
    quantile = _quantile

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard H(t) = (t / scale)^shape at `age` days."""
        # infinite where doubles end: certainly failed by then
        with np.errstate(over="ignore"):
            return (np.asarray(age, dtype=np.float64) / self.scale) ** self.shape

    def __post_init__(self) -> None:
        """Refuse impossible parameters."""
        _refuse(self)

    @property
    def mean(self) -> float:
        """Mean life in days."""
        return float(self.scale * gamma(1.0 + 1.0 / self.shape))


@dataclass(frozen=True, kw_only=True)
class Lognormal:
    """Lognormal lifetime: S(t) = 1 - Phi(shape * log(t / scale)).

    Parameters
    ----------
    scale : float [days]
        The median life, exp(mu).
    shape : float [1]
        1 / sigma.

    Raises
    ------
    InvalidInput
        If scale or shape isn't positive and finite.
    """

    family: ClassVar[Family] = Family.LOGNORMAL
    scale: float
    shape: float

    cumulative_hazard = _cumulative_hazard
    survival = _survival
    quantile = _quantile

    def __post_init__(self) -> None:
        """Refuse impossible parameters."""
        _refuse(self)

    @property
    def mean(self) -> float:
        """Mean life in days; infinite where doubles end."""
        with np.errstate(over="ignore"):
            return float(self.scale * np.exp(0.5 / np.float64(self.shape) ** 2))


@dataclass(frozen=True, kw_only=True)
class LogLogistic:
    """Log-logistic lifetime: S(t) = 1 / (1 + (t / scale)^shape).

    Parameters
    ----------
    scale : float [days]
        The median life.
    shape : float [1]
        Up to 1 the mean is infinite.

    Raises
    ------
    InvalidInput
        If scale or shape isn't positive and finite.
    """

    family: ClassVar[Family] = Family.LOGLOGISTIC
    scale: float
    shape: float

    cumulative_hazard = _cumulative_hazard
    survival = _survival
    quantile = _quantile

    def __post_init__(self) -> None:
        """Refuse impossible parameters."""
        _refuse(self)

    @property
    def mean(self) -> float:
        """Mean life in days; infinite up to a shape of 1."""
        return float(self.scale / np.sinc(1.0 / self.shape)) if self.shape > 1.0 else float("inf")


Fitted = Exponential | Weibull | Lognormal | LogLogistic
WITH_SHAPE: dict[Family, type[Weibull] | type[Lognormal] | type[LogLogistic]] = {
    Family.WEIBULL: Weibull,
    Family.LOGNORMAL: Lognormal,
    Family.LOGLOGISTIC: LogLogistic,
}


def lifetime_of(family: Family, *, scale: float, shape: float) -> Fitted:
    """Lifetime of a family with these parameters.

    Parameters
    ----------
    family : Family [word]
        Which.
    scale : float [days]
        exp(mu).
    shape : float [1]
        1 / sigma; an exponential's is 1.

    Returns
    -------
    Exponential, Weibull, Lognormal or LogLogistic [days]
        The lifetime.

    Raises
    ------
    InvalidInput
        If scale or shape isn't positive and finite.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, chapter 4 (log-location-scale families; from
    memory).

    Examples
    --------
    >>> lifetime_of(Family.LOGNORMAL, scale=100.0, shape=2.0).quantile(0.5)
    100.0
    """
    if family is Family.EXPONENTIAL:
        return Exponential(scale=scale)
    return WITH_SHAPE[family](scale=scale, shape=shape)


def lifetime_from_logs(family: Family, *, log_scale: float, log_shape: float) -> Fitted:
    """Lifetime that lives of whole days tell of: its spread isn't below that of a day.

    Equal lives would make the shape as large as the belief beforehand lets it be, far beyond what dates can tell.

    Parameters
    ----------
    family : Family [word]
        Which.
    log_scale : float [log days]
        mu.
    log_shape : float [1]
        Minus log sigma.

    Returns
    -------
    Exponential, Weibull, Lognormal or LogLogistic [days]
        With a shape of at most the square root of 12 times the scale in days, or of a day if that is longer.

    References
    ----------
    Standard deviation of a uniform day, 1 / sqrt(12); that it bounds scale / shape is our convention.

    Examples
    --------
    >>> round(lifetime_from_logs(Family.WEIBULL, log_scale=np.log(700.0), log_shape=np.log(1e6)).shape)
    2425
    """
    scale = float(np.exp(log_scale))
    most = float(max(scale, 1.0) / LEAST_SPREAD)
    return lifetime_of(family, scale=scale, shape=min(float(np.exp(log_shape)), most))


def hazard_ahead(lifetime: Lifetime, *, age: ArrayLike, days: ArrayLike) -> FloatArray:
    """Hazard that an item of this age has yet to pass in so many days: a difference of cumulative hazards.

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
        0 in no time; infinite for an item so old that in doubles none gets there: it fails at once.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 2.1 (cumulative hazard; from memory).

    Examples
    --------
    >>> hazard_ahead(Weibull(scale=100.0, shape=1000.0), age=[50, 500, 500], days=[1, 1, 0]).round(6)
    array([ 0., inf,  0.])
    """
    start, ahead = np.asarray(age, dtype=np.float64), np.asarray(days, dtype=np.float64)
    passed, whole = lifetime.cumulative_hazard(start), lifetime.cumulative_hazard(start + ahead)
    if np.isfinite(passed).all():
        return np.asarray(whole - passed)
    at_once = np.where(ahead > 0.0, np.inf, 0.0)
    return np.where(np.isfinite(passed), whole - np.where(np.isfinite(passed), passed, 0.0), at_once)


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
    return -np.expm1(-hazard_ahead(lifetime, age=age, days=days))
