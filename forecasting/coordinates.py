"""A quantity of interest as a coordinate: intercept and slope from the quantity and one free parameter beside it.

With z = intercept + slope * log(age / reference), a lifetime of which a share p has failed at age t has
intercept = z_p - slope * log(t / reference); one of a given mean life the same with a z that depends on the slope.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import digamma, gammaln, polygamma

from forecasting.arrays import FloatArray
from forecasting.families import Family

__all__ = ["BY_SHAPE", "Coordinates", "by_age", "by_mean", "by_survival"]

LEAST_MEAN_SHAPE = 1.0 + 1e-9
"""Up to a shape of 1 a log-logistic mean is infinite."""


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Intercept and slope at some coordinates, and how they move with them.

    Parameters
    ----------
    parameters : float array, shape (samples, 2) [1]
        Intercept and slope.
    jacobian : float array, shape (samples, 2, 2) [1]
        Their derivatives (rows) by coordinate (columns).
    bend : float array, shape (samples, 2, 2, 2) [1]
        Their second derivatives.
    """

    parameters: FloatArray
    jacobian: FloatArray
    bend: FloatArray


@dataclass(frozen=True, kw_only=True)
class Coordinates:
    """The quantity, and one free parameter beside it, in place of intercept and slope.

    Parameters
    ----------
    place : callable from float array, shape (samples, 2), to Placed [1]
        Intercept and slope of coordinates.
    locate : callable from and to float array, shape (samples, 2) [1]
        Coordinates of intercept and slope.
    """

    place: Callable[[FloatArray], Placed]
    locate: Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, kw_only=True)
class _Height:
    """z of the quantity, shape (samples,), and its derivatives by the slope."""

    value: FloatArray
    first: FloatArray
    second: FloatArray


def _empty(count: int) -> tuple[FloatArray, FloatArray]:
    """Jacobian and bend to fill in."""
    return np.zeros((count, 2, 2)), np.zeros((count, 2, 2, 2))


def _along_ages(height: Callable[[FloatArray], _Height]) -> Coordinates:
    """Log age at which z has this height, and log slope."""

    def place(at: FloatArray) -> Placed:
        log_age, slope = at[:, 0], np.exp(at[:, 1])
        own = height(slope)
        jacobian, bend = _empty(len(at))
        jacobian[:, 0, 0], jacobian[:, 0, 1] = -slope, slope * (own.first - log_age)
        jacobian[:, 1, 1] = bend[:, 1, 1, 1] = slope
        bend[:, 0, 0, 1] = bend[:, 0, 1, 0] = -slope
        bend[:, 0, 1, 1] = slope * (own.first - log_age) + slope**2 * own.second
        return Placed(parameters=np.stack([own.value - slope * log_age, slope], axis=1), jacobian=jacobian, bend=bend)

    def locate(parameters: FloatArray) -> FloatArray:
        intercept, slope = parameters.T
        return np.stack([(height(slope).value - intercept) / slope, np.log(slope)], axis=1)

    return Coordinates(place=place, locate=locate)


def by_age(z: FloatArray) -> Coordinates:
    """Log age at which a share has failed, and log slope.

    Parameters
    ----------
    z : float array, shape (samples,) [1]
        The share as quantile of the standard distribution; 0: the age is the scale.

    Returns
    -------
    Coordinates [1]
        Log of age over reference first.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 8.3.3 (likelihood intervals of functions
    of the parameters by reparametrisation; from memory).

    Examples
    --------
    >>> by_age(np.zeros(1)).place(np.array([[0.5, 0.0]])).parameters
    array([[-0.5,  1. ]])
    """
    still = np.zeros_like(z)
    return _along_ages(lambda slope: _Height(value=z + 0.0 * slope, first=still, second=still))


def _weibull_mean(slope: FloatArray) -> _Height:
    """Slope times log gamma(1 + 1 / slope)."""
    sigma = 1.0 / slope
    log_gamma = gammaln(1.0 + sigma)
    return _Height(
        value=slope * log_gamma,
        first=log_gamma - sigma * digamma(1.0 + sigma),
        second=sigma**3 * polygamma(1, 1.0 + sigma),
    )


def _lognormal_mean(slope: FloatArray) -> _Height:
    """Slope times sigma^2 / 2."""
    return _Height(value=0.5 / slope, first=-0.5 / slope**2, second=1.0 / slope**3)


def _loglogistic_mean(slope: FloatArray) -> _Height:
    """Slope times log((pi sigma) / sin(pi sigma))."""
    finite = np.maximum(slope, LEAST_MEAN_SHAPE)
    sigma = 1.0 / finite
    angle = np.pi * sigma
    log_ratio = -np.log(np.sinc(sigma))
    first = finite - np.pi / np.tan(angle)
    second = (np.pi / np.sin(angle)) ** 2 - finite**2
    return _Height(value=finite * log_ratio, first=log_ratio - sigma * first, second=sigma**3 * second)


MEAN_HEIGHT = {
    Family.EXPONENTIAL: _weibull_mean,
    Family.WEIBULL: _weibull_mean,
    Family.LOGNORMAL: _lognormal_mean,
    Family.LOGLOGISTIC: _loglogistic_mean,
}


def by_mean(families: Sequence[Family]) -> Coordinates:
    """Log mean life and log slope.

    Parameters
    ----------
    families : sequence of Family, one per sample [words]
        Of each sample.

    Returns
    -------
    Coordinates [1]
        Log of mean over reference first.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, chapter 4 (means of the families; from memory).

    Examples
    --------
    >>> by_mean([Family.WEIBULL]).locate(np.array([[0.0, 2.0]])).round(4)
    array([[-0.1208,  0.6931]])
    """
    kinds = {family: np.array([one is family for one in families]) for family in dict.fromkeys(families)}

    def height(slope: FloatArray) -> _Height:
        parts = [(MEAN_HEIGHT[family](slope), own) for family, own in kinds.items()]
        conditions = [own for _, own in parts]
        return _Height(**{
            name: np.select(conditions, [getattr(part, name) for part, _ in parts])
            for name in _Height.__dataclass_fields__
        })

    return _along_ages(height)


def by_survival(log_age: FloatArray) -> Coordinates:
    """Give z at an age, of which survival is a decreasing function, and log slope.

    Parameters
    ----------
    log_age : float array, shape (samples,) [1]
        Log of age over reference.

    Returns
    -------
    Coordinates [1]
        z first.

    References
    ----------
    As for `by_age`.

    Examples
    --------
    >>> by_survival(np.array([0.5])).place(np.array([[0.0, 0.0]])).parameters
    array([[-0.5,  1. ]])
    """

    def place(at: FloatArray) -> Placed:
        slope = np.exp(at[:, 1])
        jacobian, bend = _empty(len(at))
        jacobian[:, 0, 0], jacobian[:, 0, 1], jacobian[:, 1, 1] = 1.0, -slope * log_age, slope
        bend[:, 0, 1, 1], bend[:, 1, 1, 1] = -slope * log_age, slope
        return Placed(parameters=np.stack([at[:, 0] - slope * log_age, slope], axis=1), jacobian=jacobian, bend=bend)

    def locate(parameters: FloatArray) -> FloatArray:
        intercept, slope = parameters.T
        return np.stack([intercept + slope * log_age, np.log(slope)], axis=1)

    return Coordinates(place=place, locate=locate)


def _place_by_shape(at: FloatArray) -> Placed:
    """Intercept and slope of log slope and intercept."""
    slope = np.exp(at[:, 0])
    jacobian, bend = _empty(len(at))
    jacobian[:, 0, 1], jacobian[:, 1, 0], bend[:, 1, 0, 0] = 1.0, slope, slope
    return Placed(parameters=np.stack([at[:, 1], slope], axis=1), jacobian=jacobian, bend=bend)


BY_SHAPE = Coordinates(
    place=_place_by_shape,
    locate=lambda parameters: np.stack([np.log(parameters[:, 1]), parameters[:, 0]], axis=1),
)
"""Log slope, and the intercept beside it."""
