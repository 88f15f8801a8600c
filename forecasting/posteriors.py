"""What is known of each class's log scale and log shape: nodes and weights, or points, to mix a forecast over.

Nothing is drawn at random. The posterior's density, the pool being unknown too, is taken on a grid laid by its mean and
covariance; where failures are many the normal approximation is used as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import Akima1DInterpolator

from forecasting.arrays import BoolArray, FloatArray, check
from forecasting.densities import Density, few_failures
from forecasting.families import Family
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.maxima import climb
from forecasting.pooling import InUse
from forecasting.priors import MixedPrior, log_parameters

__all__ = ["Points", "Posteriors", "posterior_nodes", "posterior_points"]

AXIS = np.linspace(-6.0, 6.0, 21)
"""Nodes on each axis, in standard deviations: with few failures density is bent and has a long tail."""
STANDARD = np.stack([axis.ravel() for axis in np.meshgrid(AXIS, AXIS, indexing="ij")], axis=1)
"""Nodes of both axes, log scale slowest, shape (441, 2)."""
FINE = np.linspace(-6.0, 6.0, 193)
"""Where the density is interpolated for points."""
NOTHING = -500.0
"""Log of a density, over its highest, that counts as none."""


@dataclass(frozen=True, kw_only=True)
class Posteriors:
    """Log scale and log shape of n classes and items, each a distribution on m = 441 nodes.

    Parameters
    ----------
    log_scale, log_shape : float array, shape (n, m) [log days, 1]
        The nodes; an exponential's log shape is 0.
    weight : float array, shape (n, m) [1]
        Their probabilities; each row sums to 1.
    centre : float array, shape (n, 2) [log days, 1]
        Middle of the grid.
    root : float array, shape (n, 2, 2) [1]
        Steps of the grid: node = centre + root @ standard normal values; lower triangular.
    """

    log_scale: FloatArray
    log_shape: FloatArray
    weight: FloatArray
    centre: FloatArray
    root: FloatArray

    @cached_property
    def mean(self) -> FloatArray:
        """Means of log scale and log shape, shape (n, 2)."""
        return np.asarray(np.einsum("nm,inm->ni", self.weight, np.stack([self.log_scale, self.log_shape])))

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariances of log scale and log shape, shape (n, 2, 2)."""
        away = np.stack([self.log_scale, self.log_shape]) - self.mean.T[:, :, None]
        return np.asarray(np.einsum("nm,inm,jnm->nij", self.weight, away, away))


def _nodes(centre: FloatArray, root: FloatArray) -> FloatArray:
    """Nodes of every sample, shape (n, m, 2)."""
    return np.asarray(centre[:, None] + STANDARD @ root.transpose(0, 2, 1))


def _root(covariance: FloatArray, held: BoolArray) -> FloatArray:
    """Lower triangular root of covariances; a shape that is held doesn't move."""
    root = np.linalg.cholesky(covariance + held[:, None, None] * np.diag([0.0, 1.0]))
    root[held, 1] = 0.0
    return np.asarray(root)


def _on_grid(centre: FloatArray, root: FloatArray, log_density: FloatArray) -> Posteriors:
    """Scale densities on the grid, shape (n, m), to probabilities."""
    nodes = _nodes(centre, root)
    height = np.where(np.isfinite(log_density), log_density, -np.inf)
    weight = np.exp(np.maximum(height - height.max(axis=1, keepdims=True), NOTHING))
    weight /= weight.sum(axis=1, keepdims=True)
    return Posteriors(log_scale=nodes[:, :, 0], log_shape=nodes[:, :, 1], weight=weight, centre=centre, root=root)


@dataclass(frozen=True, kw_only=True)
class Points:
    """Equally likely values of log scale and log shape.

    Parameters
    ----------
    log_scale, log_shape : float array, shape (n, k) [log days, 1]
        One row per class and item.
    """

    log_scale: FloatArray
    log_shape: FloatArray


def _moments(in_use: Sequence[InUse], held: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Centres, shape (n, 2), and roots of the covariances, shape (n, 2, 2), that the fit left."""
    centre = np.array([np.log([one.lifetime.scale, one.lifetime.shape]) for one in in_use if one.lifetime])
    sd = np.array([[one.log_scale_sd, one.log_shape_sd] for one in in_use], dtype=np.float64)
    correlation = np.array([one.correlation for one in in_use], dtype=np.float64)
    sd[held, 1] = 0.0
    covariance = sd[:, :, None] * sd[:, None, :]
    covariance[:, [0, 1], [1, 0]] *= correlation[:, None]
    return centre, _root(covariance, held)


def _log_density(in_use: Sequence[InUse], lives: Lives, nodes: FloatArray) -> FloatArray:
    """Log density of samples of these lives, in their order, shape (samples, m), at nodes, shape (samples, m, 2)."""
    prior = MixedPrior.stacked([one.prior for one in in_use if one.prior])
    families = tuple(one.choice.family for one in in_use if one.choice)
    likelihood = Likelihood(lives=lives, families=families, prior=prior.nearest)
    slope = np.array([one.lifetime.shape for one in in_use if one.lifetime])
    scale = np.array([one.lifetime.scale for one in in_use if one.lifetime])
    top = climb(likelihood, np.stack([slope * np.log(likelihood.reference / scale), slope], axis=1))
    density = Density(likelihood=likelihood, centre=log_parameters(top, reference=likelihood.reference).value)
    return np.asarray(density.at(nodes) - prior.nearest.log_density(nodes) + prior.log_density(nodes))


def posterior_nodes(in_use: Sequence[InUse], *, lives: Lives) -> Posteriors:
    """Lay out what is known of log scale and log shape of each class and item, as nodes and weights.

    Below 100 failures the density itself, mixed prior times likelihood, on a grid of 21 x 21 nodes in steps of 0.6
    standard deviations along the axes of its own covariance; without any life the mixed prior; else a normal one.

    Parameters
    ----------
    in_use : sequence of InUse [days]
        From `lifetimes_in_use`; every sample of `lives` among them, nothing unknown.
    lives : Lives [days]
        What they were fitted to.

    Returns
    -------
    Posteriors [log days, 1]
        One row per class and item, in the order of `in_use`.

    Raises
    ------
    InvalidInput
        If nothing is known of a sample, or a sample of `lives` is missing.

    References
    ----------
    Naylor & Smith (1982), Applied Statistics 31:214-225 (grids laid by the moments; from memory); DEVELOPERS.md,
    "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.pooling import lifetimes_in_use
    >>> seen = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf])
    >>> posterior_nodes(lifetimes_in_use(seen, wanted=[("", "")]), lives=seen).weight.shape
    (1, 441)
    """
    place = {(one.service_class, one.item): number for number, one in enumerate(in_use)}
    for one in in_use:
        check(one.lifetime is not None, f"nothing is known of {one.service_class!r}, {one.item!r}")
    for sample in lives.samples:
        check(sample in place, f"`in_use` must have every sample of `lives`, got none for {sample}")
    held = np.array([one.choice is not None and one.choice.family is Family.EXPONENTIAL for one in in_use], dtype=bool)
    centre, root = _moments(in_use, held)
    nodes = _nodes(centre, root)
    log_density = np.tile(-(STANDARD**2).sum(axis=1) / 2.0, (len(in_use), 1))
    for row, one in enumerate(in_use):
        if one.fit is None and one.prior is not None:
            log_density[row] = one.prior.log_density(nodes[row : row + 1])[0]
    few = few_failures(lives)
    if len(few):
        rows = [place[lives.samples[sample]] for sample in few]
        chosen = [in_use[row] for row in rows]
        log_density[rows] = _log_density(chosen, lives.of_samples(list(few)), nodes[rows])
    return _on_grid(centre, root, log_density)


def _quantiles(density: FloatArray, unit: FloatArray) -> FloatArray:
    """Quantiles at `unit`, shape (k,), of densities over FINE, shape (k, 193)."""
    steps = (density[:, 1:] + density[:, :-1]) / 2.0
    share = np.concatenate([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)], axis=1)
    share /= share[:, -1:]
    upper = np.clip((share < unit[:, None]).sum(axis=1), 1, len(FINE) - 1)
    rows = np.arange(len(share))
    below, above = share[rows, upper - 1], share[rows, upper]
    part = (unit - below) / np.maximum(above - below, 1e-300)
    return np.asarray(FINE[upper - 1] + part * (FINE[upper] - FINE[upper - 1]))


def _standard_points(weight: FloatArray, unit: FloatArray) -> FloatArray:
    """Find standard values, shape (k, 2), of one grid of weights at uniform ones: marginal, then conditional."""
    log_density = np.log(np.maximum(weight, 1e-30)).reshape(len(AXIS), len(AXIS))
    smooth = Akima1DInterpolator(AXIS, Akima1DInterpolator(AXIS, log_density)(FINE), axis=1)(FINE)
    density = np.exp(smooth - smooth.max())
    first = _quantiles(np.tile(density.sum(axis=1), (len(unit), 1)), unit[:, 0])
    place = np.interp(first, FINE, np.arange(len(FINE)))
    low = np.minimum(place.astype(np.int64), len(FINE) - 2)
    part = (place - low)[:, None]
    second = _quantiles((1.0 - part) * density[low] + part * density[low + 1], unit[:, 1])
    return np.stack([first, second], axis=1)


def posterior_points(posteriors: Posteriors, *, unit: FloatArray) -> Points:
    """Equally likely values of log scale and log shape, one for each point of a unit square.

    Log scale is its quantile at the first coordinate, log shape its quantile at the second given log scale. Items that
    are looked at together take different coordinates of one low-discrepancy set.

    Parameters
    ----------
    posteriors : Posteriors [log days, 1]
        From `posterior_nodes`.
    unit : float array, shape (n, k, 2) [1]
        Points in (0, 1) x (0, 1) for each class and item.

    Returns
    -------
    Points [log days, 1]
        Shape (n, k).

    Raises
    ------
    InvalidInput
        If there isn't a set of points in (0, 1) for each row.

    References
    ----------
    Rosenblatt (1952), Annals of Mathematical Statistics 23:470-472 (marginal, then conditional; from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.pooling import lifetimes_in_use
    >>> seen = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf])
    >>> nodes = posterior_nodes(lifetimes_in_use(seen, wanted=[("", "")]), lives=seen)
    >>> posterior_points(nodes, unit=np.full((1, 4, 2), 0.5)).log_shape.shape
    (1, 4)
    """
    fits = unit.ndim == 3 and len(unit) == len(posteriors.weight) and unit.shape[2] == 2
    check(fits, f"`unit` must have shape ({len(posteriors.weight)}, k, 2), got {unit.shape}")
    check(bool(((unit > 0) & (unit < 1)).all()), f"`unit` must lie in (0, 1), got {unit.min()} to {unit.max()}")
    standard = np.stack([_standard_points(*pair) for pair in zip(posteriors.weight, unit, strict=True)])
    logs = posteriors.centre[:, None] + standard @ posteriors.root.transpose(0, 2, 1)
    return Points(log_scale=logs[:, :, 0], log_shape=logs[:, :, 1])
