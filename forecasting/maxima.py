"""From a log-likelihood to its maximum: damped Newton from several starts, all samples at once."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.families import STANDARD
from forecasting.likelihood import Curvature, Likelihood
from forecasting.priors import Prior

__all__ = ["SHAPE_LIMITS", "Maxima", "highest_maxima"]

START_SHAPES = (0.8, 1.7, 3.5)
ONE_START = START_SHAPES[1:2]
"""Enough where the likelihood is concave: no late entry, no masked cause, no prior."""
SHAPE_LIMITS = (0.02, 200.0)
"""Shapes the climb stays between."""
STEPS, HALVINGS = 200, 50
TOLERANCE = 1e-11
LEAST_CURVATURE = 1e-6
"""Below this the likelihood counts as flat, in units of one failure."""
LEAST_DIFFERENCE = 1e-6
"""Two lifetimes whose exchange costs less log-likelihood than this can't be told apart."""


@dataclass(frozen=True, kw_only=True)
class Maxima:
    """The highest point reached for each sample.

    Parameters
    ----------
    parameters : float array, shape (samples, 2) [1]
        Intercept and slope, as in `Likelihood.at`.
    found : bool array, shape (samples,) [yes or no]
        Whether it is a maximum, and the only one that fits so well.
    """

    parameters: FloatArray
    found: BoolArray


@dataclass(frozen=True, kw_only=True)
class _Climb:
    """Where a climb is: parameters, shape (samples, 2); what is there; blocks that have arrived, shape (blocks,)."""

    at: FloatArray
    here: Curvature
    stopped: BoolArray


def _start(likelihood: Likelihood, shape: float) -> FloatArray:
    """Intercept that fits the number of failures at this Weibull shape, then a like lifetime of the family."""
    lives, count = likelihood.lives, len(likelihood.lives.samples)
    failed = np.isfinite(lives.upper)
    members = lives.sharing
    ended = np.where(failed, (lives.lower + np.where(failed, lives.upper, 0.0)) / 2.0, lives.lower)
    reference = likelihood.reference[lives.sample]
    spent = (ended / reference) ** shape - (lives.entry / reference) ** shape
    failures = np.bincount(lives.sample, failed / members, count)
    exposure = np.bincount(lives.sample, spent, count)
    log_scale = -np.log(np.maximum(failures, 1e-3) / np.maximum(exposure, 1e-12)) / shape
    standards = [STANDARD[family] for family in likelihood.family_of]
    slope = np.where(likelihood.held, 1.0, shape * np.array([standard.slope_over_weibull for standard in standards]))
    shift = np.array([standard.shift_over_weibull for standard in standards]) / shape
    return np.stack([-slope * (log_scale + shift), slope], axis=1)


def _newton_step(likelihood: Likelihood, here: Curvature) -> FloatArray:
    """Newton step of every block, the Hessian shifted where it isn't negative definite; shape (samples, 2)."""
    block, corner = likelihood.block, 2 * likelihood.slot
    gradient = np.zeros(here.hessian.shape[:2])
    gradient[block, corner], gradient[block, corner + 1] = here.gradient.T
    steep = np.linalg.eigvalsh(-here.hessian)
    # far from the maximum a Hessian can be so large that a fixed shift would be lost in rounding
    least = np.maximum(1e-3, 1e-12 * np.abs(steep).max(axis=1))
    ridge = np.where(steep[:, 0] > 1e-10, 0.0, least - steep[:, 0])
    shifted = -here.hessian + ridge[:, None, None] * np.eye(here.hessian.shape[1])
    step = np.linalg.solve(shifted, gradient[:, :, None])[:, :, 0]
    return np.stack([step[block, corner], step[block, corner + 1]], axis=1)


def _reach(at: FloatArray, step: FloatArray) -> FloatArray:
    """Longest part of each sample's step that at most triples or thirds the shape and moves the intercept by 5."""
    grow = np.where(step[:, 1] > 0, 2.0, 2.0 / 3.0) * at[:, 1] / np.maximum(np.abs(step[:, 1]), 1e-300)
    shift = 5.0 / np.maximum(np.abs(step[:, 0]), 1e-300)
    return np.minimum(1.0, np.minimum(grow, shift))


def _lower(new: FloatArray, old: FloatArray) -> BoolArray:
    """Whether each value lies below what it was by more than rounding."""
    return ~(new >= old - 1e-13 * np.abs(old))


def _shortened(
    likelihood: Likelihood, at: FloatArray, step: FloatArray, length: FloatArray, old: FloatArray, new: FloatArray
) -> FloatArray:
    """Halve the steps of blocks that would go down until they don't; value alone is enough to tell."""
    for _ in range(HALVINGS):
        length[_lower(new, old)] *= 0.5
        there: FloatArray = at + length[likelihood.block, None] * step
        new = likelihood.value(there).value
        if not _lower(new, old).any():
            break
    return there


def _climbed_once(likelihood: Likelihood, now: _Climb) -> _Climb:
    """Take one damped Newton step with every block that hasn't stopped."""
    at, here, block = now.at, now.here, likelihood.block
    step, length = _newton_step(likelihood, here), np.ones(len(here.value))
    np.minimum.at(length, block, _reach(at, step))
    length[now.stopped] = 0.0
    there = at + length[block, None] * step
    new = likelihood.at(there)
    if _lower(new.value, here.value).any():
        there = _shortened(likelihood, at, step, length, here.value, new.value)
        new = likelihood.at(there)
    moved, outside = np.zeros(len(length)), np.zeros(len(length), dtype=bool)
    np.maximum.at(moved, block, np.abs(there - at).max(axis=1))
    np.logical_or.at(outside, block, (there[:, 1] < SHAPE_LIMITS[0]) | (there[:, 1] > SHAPE_LIMITS[1]))
    return _Climb(at=there, here=new, stopped=now.stopped | (moved < TOLERANCE) | outside)


def _of_samples(likelihood: Likelihood, keep: IntArray) -> Likelihood:
    """Leave out samples of other blocks."""
    prior = likelihood.prior
    return Likelihood(
        lives=likelihood.lives.of_samples(keep.tolist()),
        families=tuple(likelihood.family_of[sample] for sample in keep),
        prior=None if prior is None else Prior(mean=prior.mean[keep], sd=prior.sd[keep]),
    )


def climb(likelihood: Likelihood, start: FloatArray) -> FloatArray:
    """Climb from `start` by damped Newton until no block moves any more, or leaves the shapes allowed.

    Parameters
    ----------
    likelihood : Likelihood [1]
        Of all samples.
    start : float array, shape (samples, 2) [1]
        Intercept and slope.

    Returns
    -------
    float array, shape (samples, 2) [1]
        Where each sample ended.
    """
    ended, left = start.copy(), np.arange(len(start))
    here = likelihood.at(start)
    now = _Climb(at=start, here=here, stopped=np.zeros(len(here.value), dtype=bool))
    for _ in range(STEPS):
        now = _climbed_once(likelihood, now)
        ended[left] = now.at
        going = np.flatnonzero(~now.stopped[likelihood.block])
        if not len(going):
            break
        if 2 * len(going) < len(left):
            # a few that go on for long must not take all others along
            left, likelihood, at = left[going], _of_samples(likelihood, going), now.at[going]
            here = likelihood.at(at)
            now = _Climb(at=at, here=here, stopped=np.zeros(len(here.value), dtype=bool))
    return ended


def _is_maximum(likelihood: Likelihood, at: FloatArray) -> BoolArray:
    """Whether each block is at a stationary point with negative definite Hessian, shape (blocks,)."""
    here = likelihood.at(at)
    # in terms of log scale and log shape one failure counts about 1, whatever the time unit
    by_log = np.ones(here.hessian.shape[:2])
    by_log[likelihood.block, 2 * likelihood.slot + 1] = at[:, 1]
    definite = np.linalg.eigvalsh(-here.hessian * by_log[:, :, None] * by_log[:, None])[:, 0] > LEAST_CURVATURE
    still = np.ones(len(here.value), dtype=bool)
    near = np.abs(_newton_step(likelihood, here)).max(axis=1) < 1e-8 * np.maximum(1.0, np.abs(at).max(axis=1))
    inside = (at[:, 1] > SHAPE_LIMITS[0]) & (at[:, 1] < SHAPE_LIMITS[1])
    np.logical_and.at(still, likelihood.block, near & inside)
    return np.asarray(still & definite)


def _interchangeable(likelihood: Likelihood, at: FloatArray, value: FloatArray) -> IntArray:
    """Find samples joined by a masked cause whose lifetimes could be exchanged without loss: which is which is open."""
    sample = likelihood.lives.sample[likelihood.columns.joint]
    place = np.log(likelihood.reference) - at[:, 0] / at[:, 1]
    pairs = {
        (int(i), int(j)) for i, j in zip(*(sample[rows] for rows in likelihood.columns.pairs), strict=True) if i < j
    }
    alike: list[int] = []
    for i, j in sorted(pairs):
        swapped = at.copy()
        swapped[[i, j], 1] = at[[j, i], 1]
        swapped[[i, j], 0] = at[[j, i], 1] * (np.log(likelihood.reference[[i, j]]) - place[[j, i]])
        block = likelihood.block[i]
        if likelihood.value(swapped).value[block] > value[block] - LEAST_DIFFERENCE:
            alike += [i, j]
    return np.array(alike, dtype=np.int64)


def highest_maxima(likelihood: Likelihood) -> Maxima:
    """Climb from every start, or the one a concave likelihood needs, and keep the highest maximum of each block.

    Parameters
    ----------
    likelihood : Likelihood [1]
        Of all samples.

    Returns
    -------
    Maxima [1]
        Stationary points with negative definite Hessian, or the highest point reached and `found` False.

    References
    ----------
    Burridge (1981), Journal of the Royal Statistical Society B 43:41-45 (concavity without truncation, from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54.0, 187.0, 216.0]
    >>> highest_maxima(Likelihood(lives=lives_of_one_sample(lower=ages, upper=ages))).found
    array([ True])
    """
    best, height, found = np.zeros((0, 2)), np.zeros(0), np.zeros(0, dtype=bool)
    lives = likelihood.lives
    concave = likelihood.prior is None and not lives.entry.any() and bool((lives.sharing == 1).all())
    for shape in ONE_START if concave else START_SHAPES:
        at = climb(likelihood, _start(likelihood, shape))
        value, good = likelihood.at(at).value, _is_maximum(likelihood, at)
        if not len(best):
            best, height, found = at, value, good
        better = (good & ~found) | ((good == found) & (value > height))
        best = np.where(better[likelihood.block, None], at, best)
        height, found = np.where(better, value, height), found | good
    by_sample = found[likelihood.block]
    by_sample[_interchangeable(likelihood, best, height)] = False
    return Maxima(parameters=best, found=by_sample)
