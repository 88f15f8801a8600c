"""A normal prior on log scale and log shape, as a likelihood needs it, and mixtures of such priors."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecasting.arrays import FloatArray, check

__all__ = ["MixedPrior", "Prior", "PriorTerms", "log_parameters", "prior_terms", "prior_value"]


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

    def log_density(self, logs: FloatArray) -> FloatArray:
        """Log density but for a constant, shape (samples, m), at log scales and log shapes, shape (samples, m, 2)."""
        return np.asarray(-0.5 * (((logs - self.mean[:, None]) / self.sd[:, None]) ** 2).sum(axis=2))


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedPrior:
    """What is believed of each sample when it isn't known where its pool lies: a mixture of k normal priors.

    Parameters
    ----------
    mean : float array, shape (samples, k, 2) [log days, 1]
        Of log scale and log shape.
    covariance : float array, shape (samples, k, 2, 2) [1]
        Of both.
    weight : float array, shape (samples, k) [1]
        How probable each is; rows sum to 1.
    """

    mean: FloatArray
    covariance: FloatArray
    weight: FloatArray

    @staticmethod
    def empty(samples: int, *, kinds: int) -> "MixedPrior":
        """Room for so many."""
        shape = (samples, kinds)
        return MixedPrior(mean=np.empty((*shape, 2)), covariance=np.empty((*shape, 2, 2)), weight=np.empty(shape))

    @staticmethod
    def stacked(parts: Sequence["MixedPrior"]) -> "MixedPrior":
        """Put those of several samples into one."""
        return MixedPrior(
            mean=np.concatenate([one.mean for one in parts]),
            covariance=np.concatenate([one.covariance for one in parts]),
            weight=np.concatenate([one.weight for one in parts]),
        )

    def of(self, place: int) -> "MixedPrior":
        """Take one sample's."""
        own = slice(place, place + 1)
        return MixedPrior(mean=self.mean[own], covariance=self.covariance[own], weight=self.weight[own])

    @property
    def of_scale(self) -> "MixedPrior":
        """The same of log scale, where the shape is held: its log is standard normal and says nothing."""
        mean, covariance = self.mean * [1.0, 0.0], self.covariance * np.diag([1.0, 0.0]) + np.diag([0.0, 1.0])
        return MixedPrior(mean=mean, covariance=covariance, weight=self.weight)

    def log_densities(self, logs: FloatArray) -> FloatArray:
        """Log density of each kind, shape (samples, k, m), at log scales and log shapes, shape (samples, m, 2)."""
        root = np.linalg.cholesky(self.covariance)[..., None]  # (samples, k, 2, 2, 1)
        away = logs[:, None] - self.mean[:, :, None]  # (samples, k, m, 2)
        first = away[..., 0] / root[..., 0, 0, :]
        second = (away[..., 1] - root[..., 1, 0, :] * first) / root[..., 1, 1, :]
        return np.asarray(-0.5 * (first**2 + second**2) - np.log(root[..., 0, 0, :] * root[..., 1, 1, :]))

    def log_density(self, logs: FloatArray) -> FloatArray:
        """Log density but for a constant, shape (samples, m), at log scales and log shapes, shape (samples, m, 2)."""
        each = self.log_densities(logs) + np.log(np.maximum(self.weight, 1e-300))[:, :, None]
        highest = each.max(axis=1)
        return np.asarray(highest + np.log(np.exp(each - highest[:, None]).sum(axis=1)))

    @cached_property
    def centre(self) -> FloatArray:
        """Means of log scale and log shape, shape (samples, 2)."""
        return np.asarray(np.einsum("nk,nkj->nj", self.weight, self.mean))

    @cached_property
    def total_covariance(self) -> FloatArray:
        """Covariances of log scale and log shape, shape (samples, 2, 2)."""
        away = self.mean - self.centre[:, None]
        each = self.covariance + away[..., :, None] * away[..., None, :]
        return np.asarray(np.einsum("nk,nkij->nij", self.weight, each))

    @property
    def nearest(self) -> Prior:
        """Independent normal prior with the same means and variances."""
        return Prior(mean=self.centre, sd=np.sqrt(np.diagonal(self.total_covariance, axis1=1, axis2=2)))


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
