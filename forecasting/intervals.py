"""How sure a fit is: likelihood-ratio intervals of its parameters, ages, mean and survival, every sample in one batch.

An interval holds the values at which the deviance, maximised over everything else, stays below a quantile of
chi-squared times 1 + 2 / failures: with few failures the deviance is that much larger on average than chi-squared.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from forecasting.arrays import BoolArray, FloatArray, check
from forecasting.coordinates import BY_SHAPE, Coordinates, by_age, by_mean, by_survival
from forecasting.families import STANDARD, Family
from forecasting.fitting import Fit
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.profiles import profile_limit

__all__ = ["Interval", "Intervals", "likelihood_intervals", "shape_median_ratio", "survival_band"]

EXCESS = 2.0
"""Mean of the deviance over that of chi-squared, less 1, times failures; DEVELOPERS.md has its simulation."""
PLAIN, CORRECTED = "likelihood ratio", "likelihood ratio, small-sample corrected"
FEWEST_FOR_RATIO = 3
NO_LIMIT = "these lives set no {} limit"
NOT_FOUND = "the search for a limit didn't settle"
GIVEN = "the shape of an exponential lifetime is given"
INFINITE_MEAN = "the mean of a log-logistic lifetime is infinite at shapes up to 1, which these lives don't rule out"


@dataclass(frozen=True, kw_only=True)
class Interval:
    """An estimate and how far from it the truth may lie.

    Parameters
    ----------
    estimate, lower, upper : float or None [unit of the quantity]
        None: not known, or no limit.
    reason : str [text]
        Why something is None; empty: nothing is.
    """

    estimate: float | None
    lower: float | None
    upper: float | None
    reason: str


@dataclass(frozen=True, kw_only=True)
class Intervals:
    """Likelihood-ratio intervals of one fit.

    Parameters
    ----------
    level : float [1]
        Confidence of each interval.
    method : str [words]
        How they were made.
    scale, b10, median, mean : Interval [days]
        Of these ages.
    shape : Interval [1]
        Of the shape.
    survival : tuple of Interval, one per age asked [1]
        Of the chance to outlive it; within [0, 1].
    """

    level: float
    method: str
    scale: Interval
    shape: Interval
    b10: Interval
    median: Interval
    mean: Interval
    survival: tuple[Interval, ...]


@dataclass(frozen=True, kw_only=True)
class _Maximum:
    """The samples that have a fit, at it.

    Parameters
    ----------
    fitted : list of int [places]
        Which samples.
    likelihood : Likelihood [1]
        Of these.
    parameters : float array, shape (fitted, 2) [1]
        Intercept and slope.
    fall : float array, shape (fitted,) [1]
        How far the log-likelihood may fall.
    """

    fitted: list[int]
    likelihood: Likelihood
    parameters: FloatArray
    fall: FloatArray

    def along(self, coordinates: Coordinates, *, below: BoolArray, above: BoolArray) -> FloatArray:
        """Estimate, lower and upper limit of a quantity, shape (3, fitted); infinite where a limit isn't asked for."""
        found = np.stack([
            coordinates.locate(self.parameters)[:, 0],
            *np.full((2, len(self.fall)), [[-np.inf], [np.inf]]),
        ])
        for slot in range(self.likelihood.slot.max(initial=-1) + 1):
            for row, side, asked in ((1, -1.0, below), (2, 1.0, above)):
                own = asked & (self.likelihood.slot == slot)
                limit = profile_limit(
                    self.likelihood, self.parameters, coordinates=coordinates, asked=own, fall=self.fall, side=side
                )
                found[row, own] = limit[own]
        return found

    @property
    def all(self) -> BoolArray:
        """Every sample, shape (fitted,)."""
        return np.ones(len(self.fall), dtype=bool)

    def ages(self, coordinates: Coordinates, *, above: BoolArray) -> FloatArray:
        """Estimate and limits of an age in days, shape (3, fitted)."""
        return np.exp(self.along(coordinates, below=self.all, above=above)) * self.likelihood.reference

    def quantile(self, z: FloatArray) -> list["Interval"]:
        """Intervals of the age at which z is reached."""
        return _told(self.ages(by_age(z), above=self.all))


def _at_maximum(lives: Lives, fits: Sequence[Fit], *, level: float, excess: float) -> _Maximum:
    """Take the samples that have a fit; a masked cause then lies among the others, as in the fit itself."""
    check(0.0 < level < 1.0, f"`level` must lie between 0 and 1, got {level!r}")
    check(len(fits) == len(lives.samples), f"`fits` must be one per sample, got {len(fits)} of {len(lives.samples)}")
    found = {place: fit.lifetime for place, fit in enumerate(fits) if fit.lifetime is not None}
    lifetimes, fitted = list(found.values()), list(found)
    likelihood = Likelihood(lives=lives.of_samples(fitted), families=tuple(one.family for one in lifetimes))
    shape, scale = np.array([one.shape for one in lifetimes]), np.array([one.scale for one in lifetimes])
    failures = np.array([max(fits[place].failures, 1) for place in fitted])
    return _Maximum(
        fitted=fitted,
        likelihood=likelihood,
        parameters=np.stack([shape * np.log(likelihood.reference / scale), shape], axis=1),
        fall=chi2.ppf(level, 1) * (1.0 + excess / failures) / 2.0,
    )


def _told(found: FloatArray) -> list[Interval]:
    """Make intervals of positive estimates, lower and upper limits, shape (3, fitted); a limit of 0 is none."""
    intervals = []
    for column in found.T:
        known = [float(value) if 0.0 < value < np.inf else None for value in column]
        open_ends = " or ".join(word for word, end in zip(("lower", "upper"), known[1:], strict=True) if end is None)
        reason = NOT_FOUND if np.isnan(column).any() else NO_LIMIT.format(open_ends) if open_ends else ""
        intervals.append(Interval(estimate=known[0], lower=known[1], upper=known[2], reason=reason))
    return intervals


def _shapes(maximum: _Maximum) -> list[Interval]:
    """Intervals of the shape; an exponential's is given."""
    held = maximum.likelihood.held
    told = _told(np.exp(maximum.along(BY_SHAPE, below=~held, above=~held)))
    given = Interval(estimate=1.0, lower=None, upper=None, reason=GIVEN)
    return [given if fixed else one for fixed, one in zip(held, told, strict=True)]


def _means(maximum: _Maximum, shapes: Sequence[Interval]) -> list[Interval]:
    """Intervals of the mean; a log-logistic one is infinite at shapes up to 1, which may be possible."""
    families = maximum.likelihood.family_of
    heavy = np.array([family is Family.LOGLOGISTIC for family in families], dtype=bool)
    possible = heavy & np.array([one.lower is None or one.lower <= 1.0 for one in shapes], dtype=bool)
    infinite = heavy & (maximum.parameters[:, 1] <= 1.0)
    found = np.full((3, len(heavy)), np.inf)
    at = maximum.along(by_mean(families), below=~infinite, above=~possible)
    found[:, ~infinite] = (np.exp(at) * maximum.likelihood.reference)[:, ~infinite]
    told = _told(found)
    return [replace(one, reason=INFINITE_MEAN) if cut else one for cut, one in zip(possible, told, strict=True)]


def survival_band(lives: Lives, fits: Sequence[Fit], *, ages: FloatArray, level: float) -> FloatArray:
    """Pointwise likelihood-ratio limits of survival at ages.

    Parameters
    ----------
    lives : Lives [days]
        What was fitted.
    fits : sequence of Fit, one per sample [days]
        Their maximum-likelihood fits, of any family.
    ages : float array, shape (samples, k) [days]
        Positive.
    level : float [1]
        Confidence of each interval.

    Returns
    -------
    float array, shape (samples, k, 3) [1]
        Estimate, lower and upper limit of the chance to outlive the age, in [0, 1]; NaN where there is no fit.

    Raises
    ------
    InvalidInput
        If an age isn't positive, the level isn't between 0 and 1 or a fit is missing.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 8.3.3 (likelihood intervals of functions
    of the parameters; from memory).

    Examples
    --------
    >>> from forecasting.fitting import fit_weibull
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500]
    >>> lives = lives_of_one_sample(lower=ages, upper=ages[:10] + 10 * [np.inf])
    >>> survival_band(lives, fit_weibull(lives), ages=np.array([[400.0]]), level=0.9).round(3)
    array([[[0.614, 0.437, 0.772]]])
    """
    check(bool((ages > 0).all()), f"`ages` must be positive, got {ages!r}")
    return _survival(_at_maximum(lives, fits, level=level, excess=EXCESS), ages)


def _survival(maximum: _Maximum, ages: FloatArray) -> FloatArray:
    """Estimate and limits of survival, shape (samples, k, 3)."""
    band = np.full((*ages.shape, 3), np.nan)
    log_ages = np.log(ages[maximum.fitted] / maximum.likelihood.reference[:, None])
    families = maximum.likelihood.family_of
    for place, log_age in enumerate(log_ages.T):
        z = maximum.along(by_survival(log_age), below=maximum.all, above=maximum.all)
        for row, (sample, family) in enumerate(zip(maximum.fitted, families, strict=True)):
            # survival falls as z grows
            certain = np.clip(z[[0, 2, 1], row], -1e3, 1e3)
            band[sample, place] = np.exp(-STANDARD[family].growth(certain).cumulative)
    return band


def shape_median_ratio(failures: int) -> float | None:
    """Say by how much the maximum-likelihood shape of a Weibull typically exceeds the true one.

    Median of estimate over truth for a complete sample: failures / (failures - 0.95). Where half the sample is censored
    at one age it is failures / (failures - 1.2).

    Parameters
    ----------
    failures : int [lives]
        That ended in failure.

    Returns
    -------
    float or None [1]
        None below 3 failures, where it isn't known.

    References
    ----------
    Own simulation, DEVELOPERS.md "How sure"; Ross (1994), IEEE Transactions on Dielectrics and Electrical Insulation
    1:247-253, corrects the mean by (n - 2) / (n - 0.68) (as quoted in the literature; from memory).

    Examples
    --------
    >>> round(shape_median_ratio(10), 3)
    1.105
    """
    return failures / (failures - 0.95) if failures >= FEWEST_FOR_RATIO else None


def likelihood_intervals(
    lives: Lives, fits: Sequence[Fit], *, level: float = 0.9, ages: ArrayLike = (), excess: float = EXCESS
) -> tuple[Intervals | None, ...]:
    """Say how sure fits are: of parameters, B10 life, median, mean, and survival at some ages.

    Parameters
    ----------
    lives : Lives [days]
        What was fitted: exact, right-, left-, interval-censored and left-truncated lives, masked causes included.
    fits : sequence of Fit, one per sample [days]
        Their maximum-likelihood fits, of any family.
    level : float [1]
        Confidence of each interval.
    ages : array_like, shape (k,) [days]
        At which survival is wanted; positive.
    excess : float [1]
        Mean of the deviance over that of chi-squared, less 1, times failures; 0: no correction for small samples.

    Returns
    -------
    tuple of Intervals or None, one per sample [days]
        None where there is no fit.

    Raises
    ------
    InvalidInput
        If an age isn't positive, the level isn't between 0 and 1 or a fit is missing.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 8.3 and 8.3.3; Bartlett (1937),
    Proceedings of the Royal Society A 160:268-282 (scaling a likelihood ratio by its mean; both from memory).

    Examples
    --------
    >>> from forecasting.fitting import fit_weibull
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500]
    >>> lives = lives_of_one_sample(lower=ages, upper=ages[:10] + 10 * [np.inf])
    >>> shape = likelihood_intervals(lives, fit_weibull(lives))[0].shape
    >>> round(shape.lower, 2), round(shape.upper, 2)
    (0.96, 2.78)
    """
    at = np.asarray(ages, dtype=np.float64)
    check(bool((at > 0).all()), f"`ages` must be positive, got {ages!r}")
    maximum = _at_maximum(lives, fits, level=level, excess=excess)
    if not maximum.fitted:
        return (None,) * len(fits)
    families = maximum.likelihood.family_of
    shapes = _shapes(maximum)
    scales = maximum.quantile(np.zeros(len(families)))
    b10, median = (
        maximum.quantile(np.array([STANDARD[family].quantile(share) for family in families])) for share in (0.1, 0.5)
    )
    means, survival = _means(maximum, shapes), _survival(maximum, np.tile(at, (len(fits), 1)))
    made: list[Intervals | None] = [None] * len(fits)
    for row, place in enumerate(maximum.fitted):
        made[place] = Intervals(
            level=level,
            method=CORRECTED if excess else PLAIN,
            scale=scales[row],
            shape=shapes[row],
            b10=b10[row],
            median=median[row],
            mean=means[row],
            survival=tuple(_chance(*ends) for ends in survival[place].tolist()),
        )
    return tuple(made)


def _chance(estimate: float, lower: float, upper: float) -> Interval:
    """Interval of a chance; one the likelihood doesn't limit ends at 0 or 1."""
    known = [None if np.isnan(value) else value for value in (lower, upper)]
    return Interval(estimate=estimate, lower=known[0], upper=known[1], reason=NOT_FOUND if None in known else "")
