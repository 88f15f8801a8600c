"""From lives to fitted lifetimes: maximum likelihood of any family, every sample in one batch."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray
from forecasting.estimates import Estimates, estimate
from forecasting.existence import REASONS, FitStatus
from forecasting.families import Family
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.segments import Segments, segments_of

__all__ = ["Fit", "FitStatus", "fit_lifetimes", "fit_weibull", "log_likelihood"]


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
    return float(likelihood.value(np.stack([intercept, shape], axis=1)).value.sum())


def _sorted(lives: Lives) -> Lives:
    """Lives in the order of their samples."""
    if (lives.sample[1:] >= lives.sample[:-1]).all():
        return lives
    return lives.of_rows(np.argsort(lives.sample, kind="stable"))


def _fits(lives: Lives, segments: Segments, shared: BoolArray, family: Family, estimates: Estimates) -> Iterator[Fit]:
    """Put the counts beside the estimates."""
    running = np.isinf(lives.upper)
    between = (lives.lower < lives.upper) & ~running
    # days are whole, so an interval of one day ends when it begins
    wide = between & (lives.upper - lives.lower > 1.0)
    watched = (np.where(wide, lives.upper, lives.lower) if wide.any() else lives.lower) - lives.entry
    columns = (
        segments.size(),
        segments.count(~running & ~shared),
        segments.count(shared),
        segments.count(lives.entry > 0),
        segments.count(running),
        segments.count(between),
        segments.total(watched),
        estimates.scale,
        estimates.shape,
        estimates.log_likelihood,
    )
    rows = zip(lives.samples, estimates.status, *(column.tolist() for column in columns), strict=True)
    for (service_class, item), status, size, failures, masked, late, right, interval, exposure, *found in rows:
        fitted = status is FitStatus.FITTED
        yield Fit(
            service_class=service_class,
            item=item,
            status=status,
            lifetime=lifetime_of(family, scale=found[0], shape=found[1]) if fitted else None,
            lives=size,
            failures=failures,
            masked=masked,
            truncated=late,
            right_censored=right,
            interval_censored=interval,
            exposure=exposure,
            log_likelihood=found[2] if fitted else None,
        )


def fit_lifetimes(lives: Lives, *, family: Family) -> tuple[Fit, ...]:
    """Fit lifetimes of one family to every sample at once.

    Weibull and exponential samples whose failures are dated: `weibull_profiles`, and exposure over failures. Else
    damped Newton on intercept and slope of z against log age, analytic derivatives: `maxima`.

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
    ordered = _sorted(lives)
    segments = segments_of(ordered.sample, samples=len(ordered.samples))
    shared = ordered.sharing > 1
    estimates = estimate(ordered, segments, shared=shared, family=family)
    return tuple(_fits(ordered, segments, shared, family, estimates))


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
