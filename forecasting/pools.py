"""What is known of each class's log scale and log shape, its pool not being known for sure either.

Log scale and log shape of an item's classes are draws from one normal distribution. Its spreads and its mean are
integrated over: Gauss-Hermite nodes laid where all classes together make them probable. What the other classes say of
one class then is a mixture of 16 normal priors, one for each pair of spreads, each as wide as spread and mean leave it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.class_likelihoods import Cells, look_at_classes
from forecasting.families import Family
from forecasting.lives import Lives
from forecasting.pooled_modes import PooledModes
from forecasting.priors import MixedPrior

__all__ = ["BEFORE_MEAN", "BEFORE_SD", "Learned", "learned_from_all"]

BEFORE_MEAN = np.array([np.log(0.5), np.log(0.15), 0.0, 0.0])
"""Log spreads of log scale and log shape among classes, and their means over the anchor, before any life."""
BEFORE_SD = np.array([0.8, 0.7, 2.0, 0.7])
"""How sure that is: independent normal."""
AXIS, AXIS_WEIGHT = np.polynomial.hermite_e.hermegauss(4)
PAIRS = np.stack([axis.ravel() for axis in np.meshgrid(AXIS, AXIS, indexing="ij")], axis=1)
"""Gauss-Hermite nodes of two values, standardised, shape (16, 2)."""
STANDARD = np.concatenate([np.repeat(PAIRS, 16, axis=0), np.tile(PAIRS, (16, 1))], axis=1)
"""Nodes of all four, the spreads slowest, shape (256, 4)."""
PAIR_WEIGHT = np.outer(AXIS_WEIGHT, AXIS_WEIGHT).ravel()
LOG_WEIGHT = np.log(np.outer(PAIR_WEIGHT, PAIR_WEIGHT)).ravel() + (STANDARD**2).sum(axis=1) / 2.0
QUADRATIC = np.stack([np.ones(16), *PAIRS.T, *(PAIRS**2).T, PAIRS.prod(axis=1)], axis=1)
TO_QUADRATIC = np.linalg.pinv(np.sqrt(PAIR_WEIGHT)[:, None] * QUADRATIC) * np.sqrt(PAIR_WEIGHT)
"""From 16 values to the quadratic next to them, shape (6, 16)."""
COARSE, FINE = np.linspace(-5.0, 5.0, 11), np.linspace(-6.0, 6.0, 21)
"""Where each class's likelihood is looked at, in standard deviations: first to find its place, then to weigh."""
ROUNDS = 30
SETTLED = 0.05
"""Move of the mean in standard deviations at which the nodes stay; the spread by twice that."""
TINY, SURELY_NOT = 1e-300, 1e-12


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What all lives together say.

    Parameters
    ----------
    mean : float array, shape (samples, 2) [log days, 1]
        Of log scale and log shape.
    covariance : float array, shape (samples, 2, 2) [1]
        Of both.
    prior : MixedPrior [log days, 1]
        What the other classes say of each.
    pool : MixedPrior [log days, 1]
        What is believed of another class of each sample's item, of which there are no lives.
    """

    mean: FloatArray
    covariance: FloatArray
    prior: MixedPrior
    pool: MixedPrior


@dataclass(frozen=True, kw_only=True)
class _Pools:
    """Pools of one item, k = 256: log spreads, then means; how probable, and what each class says.

    `nodes`, shape (k, 4) = centre + STANDARD @ root.T. `weight`, shape (k,). `evidence`, shape (n, k): log of the
    likelihood of each class under each pool, but for a constant of the class.
    """

    centre: FloatArray
    root: FloatArray
    weight: FloatArray
    evidence: FloatArray

    @property
    def nodes(self) -> FloatArray:
        """Log spreads and means, shape (k, 4)."""
        return np.asarray(self.centre + STANDARD @ self.root.T)

    @property
    def mean(self) -> FloatArray:
        """Means over the pools, shape (4,)."""
        return np.asarray(self.weight @ self.nodes)

    @property
    def covariance(self) -> FloatArray:
        """Covariances over the pools, shape (4, 4)."""
        away = self.nodes - self.mean
        return np.asarray((self.weight[:, None] * away).T @ away)


@dataclass(frozen=True, kw_only=True)
class _Search:
    """Where the pool of one item is looked for: centre, shape (4,), and root of the covariance, shape (4, 4).

    `own`: its classes. `before`, shape (4,): what is believed without them.
    """

    own: IntArray
    before: FloatArray
    centre: FloatArray
    root: FloatArray


def _searches(lives: Lives, modes: PooledModes) -> list[_Search]:
    """Begin at the most likely pool of each item."""
    item = np.unique([item for _, item in lives.samples], return_inverse=True)[1]
    searches = []
    for own in (np.flatnonzero(item == number) for number in range(item.max() + 1)):
        mean, spread = modes.prior.mean[own[0]], modes.prior.sd[own[0]]
        sd = np.array([0.7, 0.7, *(1.5 * spread)]) / np.sqrt(len(own))
        before = BEFORE_MEAN + np.array([0.0, 0.0, *modes.anchor[own[0]]])
        centre = np.array([*np.log(spread), *mean])
        searches.append(_Search(own=own, before=before, centre=centre, root=np.diag(np.minimum(sd, BEFORE_SD))))
    return searches


def _weighed(cells: Cells, before: FloatArray, centre: FloatArray, root: FloatArray) -> _Pools:
    """Weigh pools at the standard nodes by all classes and by what is believed before."""
    nodes = centre + STANDARD @ root.T
    evidence = np.log(np.maximum(cells.evidence(mean=nodes[:, 2:], spread=np.exp(nodes[:, :2])), TINY))
    height = LOG_WEIGHT + evidence.sum(axis=0) - (((nodes - before) / BEFORE_SD) ** 2).sum(axis=1) / 2.0
    weight = np.exp(height - height.max())
    return _Pools(centre=centre, root=root, weight=weight / weight.sum(), evidence=evidence)


def _root(found: _Pools) -> FloatArray:
    """Root of the covariance, and of a little more: all weight on one node would leave no spread to go on with."""
    return np.asarray(np.linalg.cholesky(found.covariance + 1e-4 * np.diag((found.root**2).sum(axis=1))))


def _explored(cells: Cells, search: _Search) -> _Pools:
    """Move the nodes to the mean and spread found on them until both stay."""
    found = _weighed(cells, search.before, search.centre, search.root)
    for _ in range(ROUNDS):
        moved = np.abs(np.linalg.solve(found.root, found.mean - found.centre)).max()
        turned = np.linalg.solve(found.root, np.linalg.solve(found.root, found.covariance).T)
        if moved < SETTLED and np.abs(np.linalg.eigvalsh(turned) - 1.0).max() < 2.0 * SETTLED:
            break
        found = _weighed(cells, search.before, found.mean, _root(found))
    return found


@dataclass(frozen=True, kw_only=True)
class _Messages:
    """What is said of the means at each pair of spreads: log density -z' precision z / 2 + pull' z.

    z: the two means as standardised by the last rows of the root. `precision`, shape (..., 16, 2, 2); `pull`, shape
    (..., 16, 2).
    """

    precision: FloatArray
    pull: FloatArray


def _said_by_classes(found: _Pools) -> _Messages:
    """Take the quadratic next to the log evidence of each class; n classes first."""
    terms = found.evidence.reshape(-1, 16, 16) @ TO_QUADRATIC.T  # (n, 16, 6)
    precision = np.empty((*terms.shape[:2], 2, 2))
    precision[..., 0, 0], precision[..., 1, 1] = -2.0 * terms[..., 3], -2.0 * terms[..., 4]
    precision[..., 0, 1] = precision[..., 1, 0] = -terms[..., 5]
    size, turn = np.linalg.eigh(precision)
    kept = (turn * np.maximum(size, 0.0)[..., None, :]) @ np.swapaxes(turn, -1, -2)
    return _Messages(precision=kept, pull=terms[..., 1:3])


def _said_before(found: _Pools, before: FloatArray) -> _Messages:
    """Say of the means what is believed before any life."""
    root, spread_root = found.root[2:, 2:], found.root[2:, :2]
    weighed = root.T / BEFORE_SD[2:] ** 2
    away = before[2:] - found.centre[2:] - PAIRS @ spread_root.T  # (16, 2)
    return _Messages(precision=np.tile(weighed @ root, (16, 1, 1)), pull=away @ weighed.T)


def _mixture(found: _Pools, said: _Messages, weight: FloatArray) -> MixedPrior:
    """Lay out what is said of a class whose pool has these means, shape (n, 16, ...)."""
    root, spread_root = found.root[2:, 2:], found.root[2:, :2]
    covariance = np.linalg.inv(said.precision)
    z = np.einsum("nkij,nkj->nki", covariance, said.pull)
    spread = np.exp(found.centre[:2] + PAIRS @ found.root[:2, :2].T)
    of_mean = root @ covariance @ root.T
    return MixedPrior(
        mean=found.centre[2:] + PAIRS @ spread_root.T + z @ root.T,
        covariance=of_mean + spread[:, :, None] ** 2 * np.eye(2),
        weight=weight,
    )


def _without_own(found: _Pools, others: MixedPrior, cells: Cells) -> MixedPrior:
    """Weigh the spreads as if a class's own lives weren't known."""
    known = found.weight.reshape(16, 16).sum(axis=1)
    evidence = np.maximum(cells.under(others).sum(axis=(2, 3)), TINY)  # (n, 16)
    # of what has no weight with them the evidence is too small to divide by
    weight = np.where(known > SURELY_NOT, known, 0.0) / evidence
    return replace(others, weight=weight / weight.sum(axis=1, keepdims=True))


def _priors(found: _Pools, before: FloatArray, cells: Cells) -> tuple[MixedPrior, MixedPrior]:
    """Say what is believed of each class without its own lives, and of one more class."""
    own, beforehand = _said_by_classes(found), _said_before(found, before)
    every = _Messages(
        precision=own.precision.sum(axis=0) + beforehand.precision, pull=own.pull.sum(axis=0) + beforehand.pull
    )
    others = _Messages(precision=every.precision - own.precision, pull=every.pull - own.pull)
    known = found.weight.reshape(16, 16).sum(axis=1)
    one_more = _mixture(found, _Messages(precision=every.precision[None], pull=every.pull[None]), known[None])
    prior = _mixture(found, others, np.tile(known, (len(own.pull), 1)))
    if cells.held.all():
        prior, one_more = prior.of_scale, one_more.of_scale
    return _without_own(found, prior, cells), one_more


def _moments(cells: Cells, prior: MixedPrior) -> tuple[FloatArray, FloatArray]:
    """Mean, shape (n, 2), and covariance, shape (n, 2, 2), of each class's posterior."""
    joint = np.einsum("nk,nkij->nij", prior.weight, cells.under(prior))
    joint /= joint.sum(axis=(1, 2), keepdims=True)
    marginal = np.stack([joint.sum(axis=2), joint.sum(axis=1)], axis=1)  # (n, 2, G)
    mean = (marginal * cells.axis).sum(axis=2)
    away = cells.axis - mean[:, :, None]
    covariance = np.empty((len(mean), 2, 2))
    covariance[:, [0, 1], [0, 1]] = (marginal * away**2).sum(axis=2)
    covariance[:, 0, 1] = covariance[:, 1, 0] = np.einsum("nij,ni,nj->n", joint, away[:, 0], away[:, 1])
    return mean, covariance


def _learned(cells: Cells, searches: Sequence[_Search], found: Sequence[_Pools]) -> Learned:
    """Put the items together."""
    count = len(cells.axis)
    mean, covariance = np.empty((count, 2)), np.empty((count, 2, 2))
    priors, pools = [MixedPrior.empty(count, kinds=16) for _ in range(2)]
    for search, pool in zip(searches, found, strict=True):
        own = cells.of(search.own)
        prior, one_more = _priors(pool, search.before, own)
        mean[search.own], covariance[search.own] = _moments(own, prior)
        for name in MixedPrior.__dataclass_fields__:
            getattr(priors, name)[search.own], getattr(pools, name)[search.own] = (
                getattr(prior, name),
                getattr(one_more, name),
            )
    return Learned(mean=mean, covariance=covariance, prior=priors, pool=pools)


def learned_from_all(lives: Lives, *, families: tuple[Family, ...], modes: PooledModes) -> Learned:
    """Say what is known of each class, over all pools its item may have.

    p(class | all lives) = sum over pools of p(class | own lives, pool) p(pool | all lives). The pool's spreads are
    nodes and weights; at each its mean is normal, every class adding the quadratic next to its log evidence.

    Parameters
    ----------
    lives : Lives [days]
        Of the whole plant.
    families : tuple of Family, one per sample [words]
        Of each sample.
    modes : PooledModes [log days, 1]
        From `pooled_modes`: where to look.

    Returns
    -------
    Learned [log days, 1]
        One row per sample.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, chapter 5 (hierarchical models); Naylor & Smith (1982), Applied Statistics
    31:214-225 (Gauss-Hermite nodes moved to the moments found on them); both from memory.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.pooled_modes import pooled_modes
    >>> seen, weibull = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf]), (Family.WEIBULL,)
    >>> found = learned_from_all(seen, families=weibull, modes=pooled_modes(seen, families=weibull))
    >>> float(np.sqrt(found.covariance[0, 0, 0]).round(1))
    0.9
    """
    classes, searches = look_at_classes(lives, families=families, modes=modes), _searches(lives, modes)
    mean, covariance = modes.centre, modes.covariance
    for axis in (COARSE, COARSE, FINE):
        cells = classes.cells(mean=mean, covariance=covariance, axis=axis)
        found = [_explored(cells.of(search.own), search) for search in searches]
        searches = [
            replace(search, centre=one.mean, root=_root(one)) for search, one in zip(searches, found, strict=True)
        ]
        learned = _learned(cells, searches, found)
        mean, covariance = learned.mean, learned.covariance
    return learned
