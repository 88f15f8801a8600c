"""A normal prior on log scale and log shape, as a likelihood needs it: value, gradient and Hessian."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check

__all__ = ["Prior", "PriorTerms", "log_parameters", "prior_terms", "prior_value"]


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What is believed of each sample before its own lives are looked at.

    Parameters
    ----------
    mean, sd : float array, shape (samples, 2) [1]
        Of log scale (days) and log shape, independent normal.

    Raises
    ------
    InvalidInput
        If a standard deviation isn't positive.
    """

    mean: FloatArray
    sd: FloatArray

    def __post_init__(self) -> None:
        """Refuse certainty."""
        check(bool((self.sd > 0).all()), f"`sd` must be positive, got {self.sd}")


@dataclass(frozen=True, kw_only=True)
class PriorTerms:
    """What a prior adds to a log-likelihood of intercept and slope.

    Parameters
    ----------
    value : float array, shape (samples,) [1]
        Log density but for a constant.
    gradient, hessian : float array, shape (samples, 2) and (samples, 2, 2) [1]
        By intercept and slope.
    """

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray


@dataclass(frozen=True, kw_only=True)
class LogParameters:
    """Log scale and log shape with their derivatives.

    Parameters
    ----------
    value : float array, shape (samples, 2) [1]
        Log scale (days) and log shape.
    jacobian : float array, shape (samples, 2, 2) [1]
        Their derivatives (first axis) by intercept and slope (second).
    """

    value: FloatArray
    jacobian: FloatArray


def log_parameters(parameters: FloatArray, *, reference: FloatArray) -> LogParameters:
    """Log scale and log shape of intercept and slope.

    log scale = log reference - intercept / slope, log shape = log slope.

    Parameters
    ----------
    parameters : float array, shape (samples, 2) [1]
        Intercept and slope, as in `Likelihood.at`.
    reference : float array, shape (samples,) [days]
        Age at which log age counts as 0.

    Returns
    -------
    LogParameters [1]
        With derivatives.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> log_parameters(np.array([[0.0, 1.0]]), reference=np.array([np.e])).value
    array([[1., 0.]])
    """
    intercept, slope = parameters.T
    jacobian = np.zeros((len(parameters), 2, 2))
    jacobian[:, 0, 0], jacobian[:, 0, 1], jacobian[:, 1, 1] = -1.0 / slope, intercept / slope**2, 1.0 / slope
    return LogParameters(
        value=np.stack([np.log(reference) - intercept / slope, np.log(slope)], axis=1), jacobian=jacobian
    )


def prior_value(prior: Prior, parameters: FloatArray, *, reference: FloatArray) -> FloatArray:
    """Log density of a prior but for a constant, without derivatives.

    Parameters
    ----------
    prior : Prior [1]
        On log scale and log shape.
    parameters : float array, shape (samples, 2) [1]
        Intercept and slope.
    reference : float array, shape (samples,) [days]
        Age at which log age counts as 0.

    Returns
    -------
    float array, shape (samples,) [1]
        `value` of `prior_terms`.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> vague = Prior(mean=np.zeros((1, 2)), sd=np.ones((1, 2)))
    >>> prior_value(vague, np.array([[-2.0, 1.0]]), reference=np.ones(1))
    array([-2.])
    """
    intercept, slope = parameters.T
    scale_off = (np.log(reference) - intercept / slope - prior.mean[:, 0]) / prior.sd[:, 0]
    shape_off = (np.log(slope) - prior.mean[:, 1]) / prior.sd[:, 1]
    value: FloatArray = -0.5 * (scale_off**2 + shape_off**2)
    return value


def prior_terms(prior: Prior, parameters: FloatArray, *, reference: FloatArray) -> PriorTerms:
    """Add a prior to a log-likelihood.

    Parameters
    ----------
    prior : Prior [1]
        On log scale and log shape.
    parameters : float array, shape (samples, 2) [1]
        Intercept and slope.
    reference : float array, shape (samples,) [days]
        Age at which log age counts as 0.

    Returns
    -------
    PriorTerms [1]
        Exact derivatives.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> vague = Prior(mean=np.zeros((1, 2)), sd=np.ones((1, 2)))
    >>> prior_terms(vague, np.array([[-2.0, 1.0]]), reference=np.ones(1)).value
    array([-2.])
    """
    intercept, slope = parameters.T
    logs = log_parameters(parameters, reference=reference)
    weight = 1.0 / prior.sd**2
    pull = -weight * (logs.value - prior.mean)  # (samples, 2)
    hessian = -np.einsum("sp,spi,spj->sij", weight, logs.jacobian, logs.jacobian)
    hessian[:, 0, 1] += pull[:, 0] / slope**2
    hessian[:, 1, 0] += pull[:, 0] / slope**2
    hessian[:, 1, 1] -= 2.0 * pull[:, 0] * intercept / slope**3 + pull[:, 1] / slope**2
    return PriorTerms(
        value=-0.5 * (weight * (logs.value - prior.mean) ** 2).sum(axis=1),
        gradient=np.einsum("sp,spi->si", pull, logs.jacobian),
        hessian=hessian,
    )
