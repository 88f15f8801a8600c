"""The most likely pool of each item, and the most likely parameters of each class under it.

Where the search for what is known begins, and what families are compared by. As answers both are too sure: modes are
taken for means, and the pool for known.
"""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.families import Family
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.maxima import climb, highest_maxima
from forecasting.priors import Prior, log_parameters

__all__ = ["ANCHOR_SD", "PooledModes", "pooled_modes"]

ANCHOR_SPREAD = np.array([1.0, 0.3])
"""Spread of log scale and log shape among classes that the estimate is anchored at."""
ANCHOR_CLASSES = np.array([1.0, 4.0])
"""How many classes that anchor counts as."""
MOST_SPREAD = np.array([2.0, 0.7])
"""Spread among classes is at most this: a class whose failures fall on one day has no shape of its own."""
ANCHOR_SHAPE = 1.5
"""Shape that the classes' common shape is anchored at."""
ANCHOR_SD = np.array([3.0, 0.7])
"""How firmly: standard deviation of the common log scale (at exposure over failures) and log shape."""
ROUNDS = 60
SETTLED = 1e-4


@dataclass(frozen=True, kw_only=True)
class PooledModes:
    """The maximum of each class's posterior under the most likely pool of its item.

    Parameters
    ----------
    centre : float array, shape (samples, 2) [log days, 1]
        Log scale and log shape there.
    covariance : float array, shape (samples, 2, 2) [1]
        Inverse of the curvature there.
    evidence : float array, shape (samples,) [1]
        Log of the likelihood integrated over both.
    prior : Prior [log days, 1]
        The pool of each sample's item.
    anchor : float array, shape (samples, 2) [log days, 1]
        Where the pool is looked for.
    """

    centre: FloatArray
    covariance: FloatArray
    evidence: FloatArray
    prior: Prior
    anchor: FloatArray

    @property
    def variance(self) -> FloatArray:
        """Variances of log scale and log shape, shape (samples, 2)."""
        return np.diagonal(self.covariance, axis1=1, axis2=2)


def _anchor(lives: Lives, item_of: IntArray, items: int) -> FloatArray:
    """Log scale and log shape to begin with, by item: exposure over failures and half a one; shape (items, 2)."""
    failed = np.isfinite(lives.upper)
    ended = np.where(failed, (lives.lower + np.where(failed, lives.upper, 0.0)) / 2.0, lives.lower)
    item = item_of[lives.sample]
    exposure = np.bincount(item, ended - lives.entry, items)
    failures = np.bincount(item, failed / lives.sharing, items)
    log_scale = np.log(np.maximum(exposure, 1.0) / (failures + 0.5))
    return np.stack([log_scale, np.full(items, np.log(ANCHOR_SHAPE))], axis=1)


def _at_maximum(likelihood: Likelihood, parameters: FloatArray, prior: Prior, anchor: FloatArray) -> PooledModes:
    """Approximate the posterior at its maximum by a normal one, by log scale and log shape."""
    logs = log_parameters(parameters, reference=likelihood.reference)
    here = likelihood.at(parameters)
    inverse = np.linalg.inv(-here.hessian)
    corner = 2 * likelihood.slot[:, None, None]
    i, j = np.arange(2)[:, None], np.arange(2)[None, :]
    own = inverse[likelihood.block[:, None, None], corner + i, corner + j]
    own[likelihood.held, 1] = own[likelihood.held, :, 1] = 0.0
    covariance = logs.jacobian @ own @ logs.jacobian.transpose(0, 2, 1)
    # Laplace: height, prior density, and the volume under the normal approximation over the prior's
    shrunk = covariance / (prior.sd[:, :, None] * prior.sd[:, None])
    shrunk[likelihood.held, 1, 1] = 1.0
    away = ((logs.value - prior.mean) / prior.sd) ** 2
    away[likelihood.held, 1] = 0.0
    evidence = here.by_sample - away.sum(axis=1) / 2.0 + np.linalg.slogdet(shrunk)[1] / 2.0
    return PooledModes(centre=logs.value, covariance=covariance, evidence=evidence, prior=prior, anchor=anchor)


def _by_item(values: FloatArray, item_of: IntArray, items: int) -> FloatArray:
    """Sum columns by item, shape (items, columns)."""
    return np.stack([np.bincount(item_of, column, items) for column in values.T], axis=1)


def pooled_modes(lives: Lives, *, families: tuple[Family, ...]) -> PooledModes:
    """Estimate the pool of each item and the posterior of each class, in turn until both settle (EM).

    Parameters
    ----------
    lives : Lives [days]
        Of the whole plant.
    families : tuple of Family, one per sample [words]
        Of each sample.

    Returns
    -------
    PooledModes [log days, 1]
        One row per sample.

    References
    ----------
    Dempster, Laird & Rubin (1977), Journal of the Royal Statistical Society B 39:1-38 (EM; from memory); DEVELOPERS.md,
    "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = np.full(50, 800.0) + np.arange(50)
    >>> pooled_modes(lives_of_one_sample(lower=ages, upper=ages), families=(Family.EXPONENTIAL,)).centre.round(1)
    array([[6.7, 0. ]])
    """
    items = sorted({item for _, item in lives.samples})
    item_of = np.array([items.index(item) for _, item in lives.samples])
    classes = np.bincount(item_of, minlength=len(items))[:, None]
    anchor = _anchor(lives, item_of, len(items))
    mean, spread = anchor.copy(), np.tile(ANCHOR_SPREAD, (len(items), 1))
    parameters: FloatArray | None = None
    alone = Likelihood(lives=lives, families=families)
    for _ in range(ROUNDS):
        prior = Prior(mean=mean[item_of], sd=spread[item_of])
        likelihood = alone.believing(prior)
        start = highest_maxima(likelihood).parameters if parameters is None else parameters
        parameters = climb(likelihood, start)
        posterior = _at_maximum(likelihood, parameters, prior, anchor[item_of])
        weight = classes / spread**2
        centre = _by_item(posterior.centre, item_of, len(items)) / classes
        new_mean = (weight * centre + anchor / ANCHOR_SD**2) / (weight + 1.0 / ANCHOR_SD**2)
        scatter = (posterior.centre - new_mean[item_of]) ** 2 + posterior.variance
        total = _by_item(scatter, item_of, len(items)) + ANCHOR_CLASSES * ANCHOR_SPREAD**2
        new_spread = np.minimum(np.sqrt(total / (classes + ANCHOR_CLASSES)), MOST_SPREAD)
        moved = max(np.abs(new_mean - mean).max(), np.abs(new_spread - spread).max())
        mean, spread = new_mean, new_spread
        if moved < SETTLED:
            break
    return posterior
