"""The likelihood of every class on a grid of its own, and how probable a class makes a pool it may be drawn from."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.densities import Density, few_failures
from forecasting.families import Family
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.pooled_modes import PooledModes
from forecasting.priors import MixedPrior, Prior

__all__ = ["Cells", "Classes", "look_at_classes"]


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Likelihood of n classes on G x G nodes each.

    Parameters
    ----------
    axis : float array, shape (n, 2, G) [log days, 1]
        Log scales and log shapes.
    step : float array, shape (n, 2) [1]
        Between neighbours.
    likelihood : float array, shape (n, G, G) [1]
        Over its highest; log scale first.
    held : bool array, shape (n,) [yes or no]
        Whether the shape is held at 1.
    """

    axis: FloatArray
    step: FloatArray
    likelihood: FloatArray
    held: BoolArray

    def of(self, rows: IntArray) -> "Cells":
        """Take some classes."""
        return Cells(**{name: getattr(self, name)[rows] for name in Cells.__dataclass_fields__})

    def _under(self, column: int, mean: FloatArray, spread: FloatArray) -> FloatArray:
        """Density of log scale (0) or log shape (1) at the nodes under k pools, shape (n, G, k)."""
        if column and self.held.all():
            return np.ones((*self.axis[:, 1].shape, len(mean)))
        # what is narrower than half a step would fall between the nodes
        wide = np.maximum(spread, self.step[:, column, None, None] / 2.0)
        away = (self.axis[:, column, :, None] - mean) / wide
        return np.asarray(np.exp(-0.5 * away * away) / wide)

    def evidence(self, *, mean: FloatArray, spread: FloatArray) -> FloatArray:
        """Likelihood of each class under k pools, but for a factor of the class, shape (n, k).

        Parameters
        ----------
        mean, spread : float array, shape (k, 2) [log days, 1]
            Of log scale and log shape in each pool.

        Returns
        -------
        float array, shape (n, k) [1]
            Integrated over log scale and log shape.
        """
        along = np.matmul(self.likelihood, self._under(1, mean[:, 1], spread[:, 1]))  # (n, G, k)
        return np.asarray((self._under(0, mean[:, 0], spread[:, 0]) * along).sum(axis=1))

    def under(self, prior: MixedPrior) -> FloatArray:
        """Likelihood times each normal prior of a mixture, shape (n, k, G, G)."""
        count, size = len(self.axis), self.axis.shape[2]
        nodes = np.empty((count, size, size, 2))
        nodes[..., 0], nodes[..., 1] = self.axis[:, 0, :, None], self.axis[:, 1, None]
        short = (self.step / 2.0) ** 2 - np.diagonal(prior.covariance, axis1=2, axis2=3).transpose(1, 0, 2)
        wide = prior.covariance + np.maximum(short, 0.0).transpose(1, 0, 2)[..., None] * np.eye(2)
        priors = MixedPrior(mean=prior.mean, covariance=wide, weight=prior.weight)
        log_density = priors.log_densities(nodes.reshape(count, -1, 2))  # (n, k, G * G)
        return np.asarray(np.exp(log_density).reshape(count, -1, size, size) * self.likelihood[:, None])


def _normal_likelihood(modes: PooledModes, held: BoolArray, nodes: FloatArray) -> FloatArray:
    """Log-likelihood that makes the prior the posterior found at the maximum, shape (samples, m)."""
    covariance = modes.covariance + held[:, None, None] * np.diag([0.0, 1.0])
    precision, before = np.linalg.inv(covariance), np.where(held[:, None] & [False, True], 1.0, 1.0 / modes.prior.sd**2)
    own = precision - before[:, :, None] * np.eye(2)
    pull = np.einsum("nij,nj->ni", precision, modes.centre) - before * modes.prior.mean
    return np.asarray(np.einsum("nmi,ni->nm", nodes, pull) - np.einsum("nmi,nij,nmj->nm", nodes, own, nodes) / 2.0)


@dataclass(frozen=True, kw_only=True)
class Classes:
    """All classes of all items, their likelihood as far as a forecast needs it.

    Parameters
    ----------
    modes : PooledModes [log days, 1]
        Their maxima.
    held : bool array, shape (samples,) [yes or no]
        Whether the shape is held at 1.
    few : int array [index]
        Samples looked at themselves, not through the normal approximation at the maximum.
    density : Density or None [1]
        Of those.
    own_prior : Prior [log days, 1]
        What that density holds besides their likelihood.
    """

    modes: PooledModes
    held: BoolArray
    few: IntArray
    density: Density | None
    own_prior: Prior

    def _log_likelihood(self, nodes: FloatArray) -> FloatArray:
        """Shape (samples, m), at nodes, shape (samples, m, 2)."""
        log_likelihood = _normal_likelihood(self.modes, self.held, nodes)
        if self.density is not None:
            own = nodes[self.few]
            log_likelihood[self.few] = self.density.at(own) - self.own_prior.log_density(own)
        return log_likelihood

    def cells(self, *, mean: FloatArray, covariance: FloatArray, axis: FloatArray) -> Cells:
        """Look at the likelihood of every class.

        Parameters
        ----------
        mean, covariance : float array, shape (samples, 2) and (samples, 2, 2) [log days, 1]
            Of log scale and log shape: where to look.
        axis : float array, shape (G,) [1]
            Nodes in standard deviations.

        Returns
        -------
        Cells [1]
            One row per sample.
        """
        sd, count = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)), len(axis)
        axes = mean[:, :, None] + sd[:, :, None] * axis
        first, second = np.repeat(axes[:, 0], count, axis=1), np.tile(axes[:, 1], count)
        height = self._log_likelihood(np.stack([first, second], axis=2))
        height = np.where(np.isfinite(height), height, -np.inf)
        likelihood = np.exp(height - height.max(axis=1, keepdims=True)).reshape(len(mean), count, count)
        return Cells(axis=axes, step=sd * (axis[1] - axis[0]), likelihood=likelihood, held=self.held)


def look_at_classes(lives: Lives, *, families: tuple[Family, ...], modes: PooledModes) -> Classes:
    """Prepare to look at the likelihood of every class.

    Parameters
    ----------
    lives : Lives [days]
        Of the whole plant.
    families : tuple of Family, one per sample [words]
        Of each sample.
    modes : PooledModes [log days, 1]
        From `pooled_modes`.

    Returns
    -------
    Classes [1]
        Exact below 100 failures (those joined by masked causes moving along), normal from there.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.pooled_modes import pooled_modes
    >>> seen, weibull = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf]), (Family.WEIBULL,)
    >>> look_at_classes(seen, families=weibull, modes=pooled_modes(seen, families=weibull)).few
    array([0])
    """
    few = few_failures(lives)
    own = Prior(mean=modes.prior.mean[few], sd=modes.prior.sd[few])
    density = None
    if len(few):
        likelihood = Likelihood(lives=lives.of_samples(list(few)), families=tuple(families[n] for n in few), prior=own)
        density = Density(likelihood=likelihood, centre=modes.centre[few])
    held = np.array([family is Family.EXPONENTIAL for family in families])
    return Classes(modes=modes, held=held, few=few, density=density, own_prior=own)
