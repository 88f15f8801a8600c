"""From lives to fitted lifetimes: maximum likelihood of any family, every sample in one batch."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecasting.families import Family
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.maxima import SHAPE_LIMITS, highest_maxima

__all__ = ["Fit", "FitStatus", "fit_lifetimes", "fit_weibull", "log_likelihood"]


class FitStatus(StrEnum):
    """Whether a sample has a maximum of its own, and if not, why."""

    FITTED = "fitted"
    NO_FAILURES = "no_failures"
    AT_LARGEST_AGE = "failures_only_at_the_largest_age"
    ONE_COMMON_AGE = "intervals_share_one_age"
    SHAPE_TO_ZERO = "shape_runs_to_zero"
    SHAPE_TO_INFINITY = "shape_runs_to_infinity"
    CAUSES_NOT_SEPARABLE = "causes_not_separable"
    NOT_CONVERGED = "not_converged"


REASONS = {
    FitStatus.FITTED: "",
    FitStatus.NO_FAILURES: "no failure was observed",
    FitStatus.AT_LARGEST_AGE: "every failure is at the largest age observed: the likelihood grows without limit",
    FitStatus.ONE_COMMON_AGE: "one age fits every interval and no life is seen beyond it: the shape has no maximum",
    FitStatus.SHAPE_TO_ZERO: "the likelihood still grows as the shape falls to 0",
    FitStatus.SHAPE_TO_INFINITY: "the likelihood still grows as the shape rises without limit",
    FitStatus.CAUSES_NOT_SEPARABLE: "failures whose item isn't said can't be shared out among the items",
    FitStatus.NOT_CONVERGED: "no start reached a maximum",
}


@dataclass(frozen=True, kw_only=True)
class Fit:
    """The maximum-likelihood fit of one sample, or why there is none.

    Parameters
    ----------
    service_class, item : str [codes]
        The sample.
    status : FitStatus [word]
        `fitted`, or the typed reason.
    lifetime : Exponential, Weibull, Lognormal, LogLogistic or None [days]
        The estimate; None unless fitted.
    lives, failures, masked : int [lives]
        Lives used; those that ended in failure or worn; those that may have, the cause being masked.
    truncated, right_censored, interval_censored : int [lives]
        Of which.
    exposure : float [days]
        Time watched.
    log_likelihood : float or None [1]
        At the maximum, masked causes shared out; None unless fitted.
    """

    service_class: str
    item: str
    status: FitStatus
    lifetime: Fitted | None
    lives: int
    failures: int
    masked: int
    truncated: int
    right_censored: int
    interval_censored: int
    exposure: float
    log_likelihood: float | None

    @property
    def reason(self) -> str:
        """Why there is no estimate; empty when there is."""
        return REASONS[self.status]


def log_likelihood(lives: Lives, lifetimes: Sequence[Fitted]) -> float:
    """Log-likelihood of lives under given lifetimes.

    Parameters
    ----------
    lives : Lives [days]
        The lives.
    lifetimes : sequence of lifetimes, one per sample [days]
        In the order of `lives.samples`.

    Returns
    -------
    float [1]
        With the density's constant on the scale of the ages.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 7.2 (from memory).

    Examples
    --------
    >>> from forecasting.lifetimes import Exponential
    >>> from forecasting.lives import lives_of_one_sample
    >>> log_likelihood(lives_of_one_sample(lower=[10.0], upper=[np.inf]), [Exponential(scale=20.0)])
    -0.5
    """
    likelihood = Likelihood(lives=lives, families=tuple(lifetime.family for lifetime in lifetimes))
    shape = np.array([lifetime.shape for lifetime in lifetimes])
    scale = np.array([lifetime.scale for lifetime in lifetimes])
    intercept = shape * np.log(likelihood.reference / scale)
    return float(likelihood.at(np.stack([intercept, shape], axis=1)).value.sum())


def _without_maximum(lives: Lives, family: Family) -> dict[int, FitStatus]:
    """Tell before any optimisation which samples have a likelihood without a maximum.

    As the shape grows a Weibull becomes a step at one age. There is no maximum if one age fits every failure and no
    life is known to have outlasted it; what entered later and ended in an interval from its entry is certain then.
    """
    statuses = {}
    for sample in range(len(lives.samples)):
        own = lives.sample == sample
        failed = own & np.isfinite(lives.upper)
        if not failed.any():
            statuses[sample] = FitStatus.NO_FAILURES
        if not failed.any() or family is Family.EXPONENTIAL:  # its shape is given
            continue
        seen = own & (lives.lower > lives.entry)
        seen_to, first = lives.lower[seen].max(initial=0.0), lives.upper[failed].min()
        exact = (lives.lower == lives.upper)[failed].any()
        # at equality a shape of 0 may be better still if lives entered late
        tie = exact or not lives.entry[seen].any()
        if (lives.sharing[failed] == 1).all() and (seen_to < first or (seen_to == first and tie)):
            statuses[sample] = FitStatus.AT_LARGEST_AGE if exact else FitStatus.ONE_COMMON_AGE
    return statuses


def _why_not(likelihood: Likelihood, sample: int, shape: float) -> FitStatus:
    """Say what happened to a sample that reached no maximum."""
    if np.count_nonzero(likelihood.block == likelihood.block[sample]) > 1:
        return FitStatus.CAUSES_NOT_SEPARABLE
    if shape < 2.0 * SHAPE_LIMITS[0]:
        return FitStatus.SHAPE_TO_ZERO
    return FitStatus.SHAPE_TO_INFINITY if shape > SHAPE_LIMITS[1] / 2.0 else FitStatus.NOT_CONVERGED


@dataclass(frozen=True, kw_only=True)
class _Found:
    """A maximum."""

    lifetime: Fitted
    log_likelihood: float


def _counted(lives: Lives, sample: int, status: FitStatus, found: _Found | None) -> Fit:
    """Put the counts beside the estimate."""
    own = lives.sample == sample
    entry, lower, upper = lives.entry[own], lives.lower[own], lives.upper[own]
    alone = lives.sharing[own] == 1
    # days are whole, so an interval of one day ends when it begins
    watched = np.where(np.isfinite(upper) & (upper - lower > 1.0), upper, lower) - entry
    service_class, item = lives.samples[sample]
    return Fit(
        service_class=service_class,
        item=item,
        status=status,
        lifetime=None if found is None else found.lifetime,
        lives=len(entry),
        failures=int(np.count_nonzero(np.isfinite(upper) & alone)),
        masked=int(np.count_nonzero(~alone)),
        truncated=int(np.count_nonzero(entry > 0)),
        right_censored=int(np.count_nonzero(np.isinf(upper))),
        interval_censored=int(np.count_nonzero(np.isfinite(upper) & (lower < upper))),
        exposure=float(watched.sum()),
        log_likelihood=None if found is None else found.log_likelihood,
    )


def fit_lifetimes(lives: Lives, *, family: Family) -> tuple[Fit, ...]:
    """Fit lifetimes of one family to every sample at once.

    Damped Newton on intercept and slope of z against log age, analytic derivatives, from three starts.

    Parameters
    ----------
    lives : Lives [days]
        Exact, right-, left-, interval-censored and left-truncated lives together; masked causes join the samples they
        touch.
    family : Family [word]
        Which family.

    Returns
    -------
    tuple of Fit, one per sample [days]
        In the order of `lives.samples`. A sample without a maximum has a typed status, never a number.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3 (worked example, seen); Burridge (1981), Journal of
    the Royal Statistical Society B 43:41-45 (concavity, from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500]
    >>> fit = fit_lifetimes(
    ...     lives_of_one_sample(lower=ages, upper=ages[:10] + 10 * [np.inf]), family=Family.LOGNORMAL
    ... )[0]
    >>> round(4 - 2 * fit.log_likelihood, 2)
    154.39
    """
    statuses, found = _without_maximum(lives, family), dict[int, _Found]()
    alone = np.isfinite(lives.upper) & (lives.sharing == 1)
    certain = np.bincount(lives.sample[alone], minlength=len(lives.samples))
    waiting = [sample for sample in range(len(lives.samples)) if sample not in statuses]
    while waiting:
        likelihood = Likelihood(lives=lives.of_samples(waiting), families=(family,) * len(waiting))
        best = highest_maxima(likelihood)
        height = likelihood.at(best.parameters).by_sample
        for place, sample in enumerate(waiting):
            intercept, shape = (float(value) for value in best.parameters[place])
            statuses[sample] = FitStatus.FITTED if best.found[place] else _why_not(likelihood, place, shape)
            if best.found[place]:
                scale = float(likelihood.reference[place]) * np.exp(-intercept / shape)
                lifetime = lifetime_of(family, scale=float(scale), shape=shape)
                found[sample] = _Found(lifetime=lifetime, log_likelihood=float(height[place]))
        lost = [sample for place, sample in enumerate(waiting) if not best.found[place]]
        # an item that is only ever suspected may be blameless: the others then answer for what is masked
        waiting = [sample for sample in lost if certain[sample]]
        waiting = waiting if len(waiting) < len(lost) else []
    return tuple(_counted(lives, sample, statuses[sample], found.get(sample)) for sample in range(len(lives.samples)))


def fit_weibull(lives: Lives) -> tuple[Fit, ...]:
    """Fit a Weibull lifetime to every sample at once.

    Parameters
    ----------
    lives : Lives [days]
        As for `fit_lifetimes`.

    Returns
    -------
    tuple of Fit, one per sample [days]
        As from `fit_lifetimes`.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3 (worked example, seen).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500]
    >>> fit = fit_weibull(lives_of_one_sample(lower=ages, upper=ages[:10] + 10 * [np.inf]))[0]
    >>> round(fit.lifetime.scale, 4), round(fit.lifetime.shape, 4)
    (606.5276, 1.7208)
    """
    return fit_lifetimes(lives, family=Family.WEIBULL)
