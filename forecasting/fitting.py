"""From lives to fitted lifetimes: maximum likelihood of any family, every sample in one batch."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.estimates import Estimates, estimate
from forecasting.existence import REASONS, FitStatus
from forecasting.families import Family
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.segments import Segments, segments_of

__all__ = ["Fit", "FitStatus", "Fits", "fit_lifetimes", "fit_weibull", "log_likelihood"]

COUNTS = ("lives", "failures", "masked", "truncated", "right_censored", "interval_censored")


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Fits(Sequence[Fit]):
    """Fits of all samples, in columns; one that is looked at becomes a `Fit`.

    Parameters
    ----------
    samples : tuple of (str, str) [service class, maintainable item]
        The samples.
    family : Family [word]
        Of all of them.
    status : tuple of FitStatus [words]
        One per sample.
    scale, shape, log_likelihood : float array, shape (samples,) [days, 1, 1]
        Where the status is `fitted`; else without meaning.
    lives, failures, masked, truncated, right_censored, interval_censored : int array, shape (samples,) [lives]
        As in `Fit`.
    exposure : float array, shape (samples,) [days]
        Time watched.
    """

    samples: tuple[tuple[str, str], ...]
    family: Family
    status: tuple[FitStatus, ...]
    scale: FloatArray
    shape: FloatArray
    log_likelihood: FloatArray
    lives: IntArray
    failures: IntArray
    masked: IntArray
    truncated: IntArray
    right_censored: IntArray
    interval_censored: IntArray
    exposure: FloatArray

    def __len__(self) -> int:
        """Return the number of samples."""
        return len(self.samples)

    @overload
    def __getitem__(self, place: int) -> Fit: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Fit, ...]: ...
    def __getitem__(self, place: int | slice) -> Fit | tuple[Fit, ...]:
        """Give the fit of one sample, or of several."""
        if isinstance(place, slice):
            return tuple(self._rows(place))
        row = range(len(self))[place]
        return next(self._rows(slice(row, row + 1)))

    def __iter__(self) -> Iterator[Fit]:
        """Give all fits in order."""
        return self._rows(slice(None))

    def _rows(self, places: slice) -> Iterator[Fit]:
        """Take rows out of the columns."""
        counts = zip(*(getattr(self, name)[places].tolist() for name in COUNTS), strict=True)
        numbers = (self.scale, self.shape, self.log_likelihood, self.exposure)
        rows = zip(*(column[places].tolist() for column in numbers), strict=True)
        told = zip(self.samples[places], self.status[places], rows, counts, strict=True)
        for (service_class, item), status, (scale, shape, height, exposure), counted in told:
            fitted = status is FitStatus.FITTED
            yield Fit(
                service_class=service_class,
                item=item,
                status=status,
                lifetime=lifetime_of(self.family, scale=scale, shape=shape) if fitted else None,
                log_likelihood=height if fitted else None,
                exposure=exposure,
                **dict(zip(COUNTS, counted, strict=True)),
            )


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


def _fits(lives: Lives, segments: Segments, shared: BoolArray, family: Family, estimates: Estimates) -> Fits:
    """Put the counts beside the estimates."""
    running = np.isinf(lives.upper)
    between = (lives.lower < lives.upper) & ~running
    # days are whole, so an interval of one day ends when it begins
    watched = lives.lower - lives.entry
    if between.any():
        wide = between & (lives.upper - lives.lower > 1.0)
        watched = np.where(wide, lives.upper - lives.entry, watched)
    return Fits(
        samples=lives.samples,
        family=family,
        status=tuple(estimates.status),
        scale=estimates.scale,
        shape=estimates.shape,
        log_likelihood=estimates.log_likelihood,
        lives=segments.size(),
        failures=segments.count(~(running | shared)),
        masked=segments.count(shared),
        truncated=segments.count(lives.entry > 0),
        right_censored=segments.count(running),
        interval_censored=segments.count(between),
        exposure=segments.total(watched),
    )


def fit_lifetimes(lives: Lives, *, family: Family) -> Fits:
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
    Fits, a sequence of Fit, one per sample [days]
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
    return _fits(ordered, segments, shared, family, estimates)


def fit_weibull(lives: Lives) -> Fits:
    """Fit a Weibull lifetime to every sample at once.

    Parameters
    ----------
    lives : Lives [days]
        As for `fit_lifetimes`.

    Returns
    -------
    Fits, a sequence of Fit, one per sample [days]
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
