"""The maximum of every sample, or the typed reason why there is none, each by the quickest way open to it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray
from forecasting.existence import FitStatus, without_maximum
from forecasting.families import Family
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.maxima import LEAST_CURVATURE, SHAPE_LIMITS, highest_maxima
from forecasting.segments import Segments, segments_of
from forecasting.weibull_profiles import profile_maxima

__all__ = ["Estimates", "estimate"]


@dataclass(frozen=True, kw_only=True)
class Estimates:
    """What was found of each sample.

    Parameters
    ----------
    status : list of FitStatus [words]
        One per sample.
    scale, shape, log_likelihood : float array, shape (samples,) [days, 1, 1]
        Where the status is `fitted`; else without meaning.
    """

    status: list[FitStatus]
    scale: FloatArray
    shape: FloatArray
    log_likelihood: FloatArray

    def take(self, samples: Sequence[int], found: "Estimates") -> None:
        """Take over what was found of these samples."""
        for sample, status in zip(samples, found.status, strict=True):
            self.status[sample] = status
        for name in ("scale", "shape", "log_likelihood"):
            getattr(self, name)[list(samples)] = getattr(found, name)


def _at_an_edge(shape: float) -> FitStatus:
    """Say where a sample's shape went that reached no maximum."""
    if shape < 2.0 * SHAPE_LIMITS[0]:
        return FitStatus.SHAPE_TO_ZERO
    return FitStatus.SHAPE_TO_INFINITY if shape > SHAPE_LIMITS[1] / 2.0 else FitStatus.NOT_CONVERGED


def _why_not(likelihood: Likelihood, sample: int, shape: float) -> FitStatus:
    """Say what happened to a sample that reached no maximum."""
    if np.count_nonzero(likelihood.block == likelihood.block[sample]) > 1:
        return FitStatus.CAUSES_NOT_SEPARABLE
    return _at_an_edge(shape)


def _by_profile(lives: Lives) -> Estimates:
    """Fit Weibull lifetimes to samples whose failures are dated."""
    profiles = profile_maxima(lives, shape_limits=SHAPE_LIMITS)
    status = [FitStatus.FITTED] * len(lives.samples)
    flat = profiles.curvature < LEAST_CURVATURE
    for sample in np.flatnonzero(flat | (profiles.shape <= SHAPE_LIMITS[0]) | (profiles.shape >= SHAPE_LIMITS[1])):
        status[sample] = _at_an_edge(float(profiles.shape[sample]))
    return Estimates(status=status, scale=profiles.scale, shape=profiles.shape, log_likelihood=profiles.log_likelihood)


def _by_rate(lives: Lives) -> Estimates:
    """Fit exponential lifetimes to samples whose failures are dated: exposure over failures."""
    segments = segments_of(lives.sample, samples=len(lives.samples))
    failures, exposure = segments.count(np.isfinite(lives.upper)), segments.total(lives.lower - lives.entry)
    watched = exposure > 0
    scale = exposure / failures
    return Estimates(
        status=[FitStatus.FITTED if one else FitStatus.AT_LARGEST_AGE for one in watched.tolist()],
        scale=scale,
        shape=np.ones(len(scale)),
        log_likelihood=-failures * (np.log(np.where(watched, scale, 1.0)) + 1.0),
    )


def _by_climbing(lives: Lives, family: Family) -> Estimates:
    """Fit lifetimes of any family to any lives."""
    likelihood = Likelihood(lives=lives, families=(family,) * len(lives.samples))
    best = highest_maxima(likelihood)
    intercept, shape = best.parameters.T
    # where nothing was found the shape may have left its limits: a scale would overflow
    log_scale = np.divide(-intercept, shape, out=np.full(len(shape), np.nan), where=best.found)
    return Estimates(
        status=[
            FitStatus.FITTED if good else _why_not(likelihood, sample, float(shape[sample]))
            for sample, good in enumerate(best.found.tolist())
        ],
        scale=likelihood.reference * np.exp(log_scale),
        shape=shape,
        log_likelihood=likelihood.value(best.parameters).by_sample,
    )


DATED_ONLY = {Family.WEIBULL: _by_profile, Family.EXPONENTIAL: _by_rate}
"""Ways that are quicker where every failure is dated and its item known."""


def _climb(lives: Lives, family: Family, waiting: Sequence[int], estimates: Estimates) -> None:
    """Fit these samples together; again without those that are only ever suspected, if others were lost with them."""
    alone = np.isfinite(lives.upper) & (lives.sharing == 1)
    certain = np.bincount(lives.sample[alone], minlength=len(lives.samples))
    while waiting:
        found = _by_climbing(lives.of_samples(waiting), family)
        estimates.take(waiting, found)
        lost = [sample for sample, one in zip(waiting, found.status, strict=True) if one is not FitStatus.FITTED]
        # an item that is only ever suspected may be blameless: the others then answer for what is masked
        waiting = [sample for sample in lost if certain[sample]]
        waiting = waiting if len(waiting) < len(lost) else []


def estimate(lives: Lives, segments: Segments, *, shared: BoolArray, family: Family) -> Estimates:
    """Find the maximum of every sample, each by the quickest way open to it.

    Parameters
    ----------
    lives : Lives [days]
        Sorted by sample.
    segments : Segments [rows]
        Where the rows of each sample are.
    shared : bool array, shape (n,) [yes or no]
        Whether other lives share the cause of each.
    family : Family [word]
        Which family.

    Returns
    -------
    Estimates [days]
        One per sample, a typed reason where there is no maximum.

    References
    ----------
    DEVELOPERS.md, "Speed of the fits".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> lives = lives_of_one_sample(lower=[3.0, 5.0], upper=[3.0, np.inf])
    >>> segments, shared = segments_of(lives.sample, samples=1), np.zeros(2, dtype=bool)
    >>> estimate(lives, segments, shared=shared, family=Family.EXPONENTIAL).scale
    array([8.])
    """
    count = len(lives.samples)
    lost = without_maximum(lives, segments, family=family, shared=shared)
    vague = segments.count(shared | (np.isfinite(lives.upper) & (lives.lower < lives.upper))) > 0
    estimates = Estimates(
        status=[lost.get(sample, FitStatus.NOT_CONVERGED) for sample in range(count)],
        scale=np.full(count, np.nan),
        shape=np.full(count, np.nan),
        log_likelihood=np.full(count, np.nan),
    )
    quick = [] if family not in DATED_ONLY else [one for one in np.flatnonzero(~vague).tolist() if one not in lost]
    if quick:
        own = lives if len(quick) == count else lives.of_samples(quick)
        estimates.take(quick, DATED_ONLY[family](own))
    done = {*quick, *lost}
    waiting = [] if len(done) == count else [sample for sample in range(count) if sample not in done]
    if waiting:
        _climb(lives, family, waiting, estimates)
    return estimates
