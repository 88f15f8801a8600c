"""The lifetime each class and item is forecast with: its own lives and, the fewer they are, the more the other classes.

For each item log scale and log shape of the classes are draws from one normal distribution, estimated from the plant's
own classes and weakly anchored (empirical Bayes). A class with forty failures speaks for itself, one with none takes
what its survival leaves possible.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.families import Family
from forecasting.family_choice import FamilyChoice, choose_family
from forecasting.fitting import Fit, fit_weibull
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.maxima import climb, highest_maxima
from forecasting.priors import Prior, log_parameters

__all__ = ["InUse", "Source", "lifetimes_in_use", "lifetimes_of_families", "scale_without_failures"]

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
LEAST_SPREAD = 1e-12
"""What is surer than this counts as given."""
OWN_SHARE = 0.1
"""Up to this share of the pool a class counts as speaking for itself."""


class Source(StrEnum):
    """Where the parameters come from."""

    OWN = "own_lives"
    SHARED = "own_lives_and_pool"
    POOL = "pool"
    UNKNOWN = "not_known"


@dataclass(frozen=True, kw_only=True)
class InUse:
    """What one class and item is forecast with.

    Parameters
    ----------
    service_class, item : str [codes]
        The sample.
    fit : Fit or None [days]
        The Weibull maximum-likelihood fit of this class alone; None: it has no life of its own.
    lifetime : Exponential, Weibull, Lognormal, LogLogistic or None [days]
        Centre of what the forecast uses; None: nothing is known.
    log_scale_sd, log_shape_sd : float or None [1]
        How sure that is; None: nothing is known.
    correlation : float or None [1]
        Of log scale and log shape; None: nothing is known.
    prior_mean, prior_sd : (float, float) or None [log days and 1]
        Of log scale and log shape, independent normal, before the class's own lives; None: nothing is known.
    source : Source [word]
        Where it comes from.
    pool_share : float [1]
        Posterior over prior variance of log scale: what the class's own lives leave to the pool.
    choice : FamilyChoice or None [words]
        The item's family and how it was chosen; None: nothing is known.
    reason : str [text]
        Why it isn't the class's own lives alone; empty: it is.
    """

    service_class: str
    item: str
    fit: Fit | None
    lifetime: Fitted | None
    log_scale_sd: float | None
    log_shape_sd: float | None
    correlation: float | None
    prior_mean: tuple[float, float] | None
    prior_sd: tuple[float, float] | None
    source: Source
    pool_share: float
    choice: FamilyChoice | None
    reason: str


@dataclass(frozen=True, kw_only=True)
class _Posterior:
    """Centre of log scale and log shape, shape (samples, 2), and covariance, (samples, 2, 2), under this prior.

    `evidence`, shape (samples,): log of the likelihood integrated over both.
    """

    centre: FloatArray
    covariance: FloatArray
    evidence: FloatArray
    prior: Prior

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


def _at_maximum(likelihood: Likelihood, parameters: FloatArray, prior: Prior) -> _Posterior:
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
    return _Posterior(centre=logs.value, covariance=covariance, evidence=evidence, prior=prior)


def _pooled(lives: Lives, families: tuple[Family, ...]) -> _Posterior:
    """Estimate the pool of each item and the posterior of each class, in turn until both settle (EM)."""
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
        posterior = _at_maximum(likelihood, parameters, prior)
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


def _choices(lives: Lives) -> dict[str, FamilyChoice]:
    """Choose the family of every item."""
    evidence = {family: _pooled(lives, (family,) * len(lives.samples)).evidence for family in Family}
    items = np.array([item for _, item in lives.samples])
    failed = np.isfinite(lives.upper) / lives.sharing
    return {
        item: choose_family(
            {family: float(value[items == item].sum()) for family, value in evidence.items()},
            failures=round(float(failed[items[lives.sample] == item].sum())),
        )
        for item in sorted(set(items))
    }


def _by_item(values: FloatArray, item_of: IntArray, items: int) -> FloatArray:
    """Sum columns by item, shape (items, columns)."""
    return np.stack([np.bincount(item_of, column, items) for column in values.T], axis=1)


def scale_without_failures(lives: Lives, *, shape: FloatArray, confidence: float) -> FloatArray:
    """Weibull scale that a sample without failures shows to be exceeded, if its shape is given.

    (sum of (lower^shape - entry^shape) / -log(1 - confidence))^(1 / shape). With shape 1 its inverse is the upper limit
    of a constant failure rate.

    Parameters
    ----------
    lives : Lives [days]
        Of all samples.
    shape : float array, shape (samples,) [1]
        Of each sample.
    confidence : float [1]
        One-sided, in (0, 1).

    Returns
    -------
    float array, shape (samples,) [days]
        NaN for a sample with failures.

    Raises
    ------
    InvalidInput
        If `confidence` isn't in (0, 1).

    References
    ----------
    Abernethy, The New Weibull Handbook, chapter 6 (Weibayes and zero-failure tests; from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ten = lives_of_one_sample(lower=[1000.0] * 10, upper=[np.inf] * 10)
    >>> scale_without_failures(ten, shape=np.array([2.0]), confidence=0.9).round(4)
    array([2083.9733])
    """
    check(0.0 < confidence < 1.0, f"`confidence` must lie in (0, 1), got {confidence}")
    steep, longest = shape[lives.sample], float(lives.lower.max(initial=1.0))
    spent = (lives.lower / longest) ** steep - (lives.entry / longest) ** steep
    total = np.bincount(lives.sample, spent, len(lives.samples))
    failed = np.bincount(lives.sample, np.isfinite(lives.upper), len(lives.samples)) > 0
    return np.where(failed, np.nan, longest * (total / -np.log1p(-confidence)) ** (1.0 / shape))


def _rounded_up(value: float) -> str:
    """Write a limit in two digits, never below it."""
    step = 10.0 ** (np.floor(np.log10(value)) - 1.0)
    return f"{np.ceil(value / step - 1e-9) * step:.2g}"


def _words(fit: Fit, share: float, *, lender: str, limit: str) -> tuple[Source, str]:
    """Say where the numbers of a class come from."""
    failures, years = fit.failures + fit.masked, fit.exposure / 365.25
    seen = (
        f"{failures} failures in {years:.4g} valve-years" if failures != 1 else f"1 failure in {years:.4g} valve-years"
    )
    if not failures:
        bound = f", mean rate below {_rounded_up(-np.log(0.05) / years)} a year (95 %) if constant" if years > 0 else ""
        return Source.POOL, f"{seen}{bound}{limit}: the rest comes from {lender}"
    if share <= OWN_SHARE:
        return Source.OWN, ""
    return Source.SHARED, f"{seen}: {share:.0%} of the scale comes from {lender}"


def _pair(values: FloatArray) -> tuple[float, float]:
    """Take log scale and log shape."""
    return float(values[0]), float(values[1])


def _limits(lives: Lives, posterior: _Posterior, choices: Mapping[str, FamilyChoice]) -> list[str]:
    """Say what each sample's survival excludes if its shape in use is right; empty unless Weibull."""
    shape = np.exp(posterior.centre[:, 1])
    least = scale_without_failures(lives, shape=shape, confidence=0.95)
    return [
        f"; scale above {days:.0f} days (95 %) if the shape is {steep:.2g}"
        if days > 0 and choices[item].family is Family.WEIBULL
        else ""
        for (_, item), days, steep in zip(lives.samples, least, shape, strict=True)
    ]


def _of_class(
    sample: tuple[str, str],
    posterior: _Posterior,
    place: int,
    fit: Fit,
    choice: FamilyChoice,
    *,
    words: tuple[str, str],
) -> InUse:
    """Posterior of a class with lives of its own."""
    log_scale, log_shape = posterior.centre[place]
    share = float(min(1.0, posterior.variance[place, 0] / posterior.prior.sd[place, 0] ** 2))
    source, reason = _words(fit, share, lender=words[0], limit=words[1])
    sd = np.sqrt(posterior.variance[place])
    return InUse(
        service_class=sample[0],
        item=sample[1],
        fit=fit,
        lifetime=lifetime_of(choice.family, scale=float(np.exp(log_scale)), shape=float(np.exp(log_shape))),
        log_scale_sd=float(sd[0]),
        log_shape_sd=float(sd[1]),
        correlation=float(posterior.covariance[place, 0, 1] / max(sd[0] * sd[1], LEAST_SPREAD)),
        prior_mean=_pair(posterior.prior.mean[place]),
        prior_sd=_pair(posterior.prior.sd[place]),
        source=source,
        pool_share=share,
        choice=choice,
        reason=reason,
    )


def _of_pool(sample: tuple[str, str], prior: Prior, place: int, choice: FamilyChoice) -> InUse:
    """Say what the other classes say of a class without any life."""
    log_scale, log_shape = prior.mean[place]
    return InUse(
        service_class=sample[0],
        item=sample[1],
        fit=None,
        lifetime=lifetime_of(choice.family, scale=float(np.exp(log_scale)), shape=float(np.exp(log_shape))),
        log_scale_sd=float(prior.sd[place, 0]),
        log_shape_sd=float(prior.sd[place, 1]),
        correlation=0.0,
        prior_mean=_pair(prior.mean[place]),
        prior_sd=_pair(prior.sd[place]),
        source=Source.POOL,
        pool_share=1.0,
        choice=choice,
        reason="no life of this class could be watched: the other classes say everything",
    )


def _unknown(sample: tuple[str, str]) -> InUse:
    """Nothing is known."""
    return InUse(
        service_class=sample[0],
        item=sample[1],
        fit=None,
        lifetime=None,
        log_scale_sd=None,
        log_shape_sd=None,
        correlation=None,
        prior_mean=None,
        prior_sd=None,
        source=Source.UNKNOWN,
        pool_share=1.0,
        choice=None,
        reason="no life of this item could be watched in any class",
    )


def lifetimes_of_families(
    lives: Lives, *, wanted: Sequence[tuple[str, str]], choices: Mapping[str, FamilyChoice]
) -> tuple[InUse, ...]:
    """Fit every class and item in families already chosen, as `lifetimes_in_use` does.

    Parameters
    ----------
    lives : Lives [days]
        Of the whole plant.
    wanted : sequence of (str, str) [service class, maintainable item]
        Samples the forecast needs, whether or not they have lives.
    choices : mapping from item to FamilyChoice [words]
        For every item that has lives.

    Returns
    -------
    tuple of InUse [days]
        One per wanted sample, in its order.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> seen = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf])
    >>> given = {"": FamilyChoice(family=Family.EXPONENTIAL, failures=1, runner_up=None, difference=None)}
    >>> lifetimes_of_families(seen, wanted=[("", "")], choices=given)[0].lifetime.shape
    1.0
    """
    if not len(lives):
        return tuple(_unknown(sample) for sample in wanted)
    posterior = _pooled(lives, tuple(choices[item].family for _, item in lives.samples))
    limits = _limits(lives, posterior, choices)
    fits = {(fit.service_class, fit.item): (place, fit) for place, fit in enumerate(fit_weibull(lives))}
    of_item = {item: place for place, (_, item) in enumerate(lives.samples)}
    chosen = []
    for sample in wanted:
        if sample in fits:
            place, fit = fits[sample]
            classes = sum(item == sample[1] for _, item in lives.samples)
            lender = "the other classes" if classes > 1 else "a weak starting guess, there being no other class"
            chosen.append(_of_class(sample, posterior, place, fit, choices[sample[1]], words=(lender, limits[place])))
        elif sample[1] in of_item:
            chosen.append(_of_pool(sample, posterior.prior, of_item[sample[1]], choices[sample[1]]))
        else:
            chosen.append(_unknown(sample))
    return tuple(chosen)


def lifetimes_in_use(lives: Lives, *, wanted: Sequence[tuple[str, str]]) -> tuple[InUse, ...]:
    """Fit every class and item, each class leaning on the others the more the fewer failures it has.

    Parameters
    ----------
    lives : Lives [days]
        Of the whole plant.
    wanted : sequence of (str, str) [service class, maintainable item]
        Samples the forecast needs, whether or not they have lives.

    Returns
    -------
    tuple of InUse [days]
        One per wanted sample, in its order.

    References
    ----------
    Dempster, Laird & Rubin (1977), Journal of the Royal Statistical Society B 39:1-38 (EM; from memory); DEVELOPERS.md,
    "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> quiet = lives_of_one_sample(lower=[100.0, 100.0], upper=[np.inf, np.inf])
    >>> lifetimes_in_use(quiet, wanted=[("", "")])[0].source.value
    'pool'
    """
    return lifetimes_of_families(lives, wanted=wanted, choices=_choices(lives) if len(lives) else {})
