"""The lifetime each class and item is forecast with: its own lives and, the fewer they are, the more the other classes.

For each item log scale and log shape of the classes are draws from one normal distribution, estimated from the plant's
own classes and weakly anchored (empirical Bayes). A class with forty failures speaks for itself, one with none takes
what its survival leaves possible.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.families import Family
from forecasting.family_choice import FamilyChoice, choose_family
from forecasting.fitting import Fit, fit_weibull
from forecasting.lifetimes import Fitted, lifetime_from_logs
from forecasting.lives import Lives
from forecasting.pooled_modes import pooled_modes
from forecasting.pools import Learned, learned_from_all
from forecasting.priors import MixedPrior

__all__ = ["InUse", "Source", "lifetimes_in_use", "lifetimes_of_families", "scale_without_failures"]

LEAST_SPREAD = 1e-12
"""What is surer than this counts as given."""
OWN_SHARE, OWN_SHAPE_SHARE = 0.1, 0.5
"""Up to these shares of the pool, of scale and shape, a class counts as speaking for itself."""


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
    prior : MixedPrior or None [log days and 1]
        What the other classes say of log scale and log shape, one row; None: nothing is known.
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
    prior: MixedPrior | None = field(compare=False)
    source: Source
    pool_share: float
    choice: FamilyChoice | None
    reason: str


def _choices(lives: Lives) -> dict[str, FamilyChoice]:
    """Choose the family of every item."""
    evidence = {family: pooled_modes(lives, families=(family,) * len(lives.samples)).evidence for family in Family}
    items = np.array([item for _, item in lives.samples])
    failed = np.isfinite(lives.upper) / lives.sharing
    return {
        item: choose_family(
            {family: float(value[items == item].sum()) for family, value in evidence.items()},
            failures=round(float(failed[items[lives.sample] == item].sum())),
        )
        for item in sorted(set(items))
    }


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


@dataclass(frozen=True, kw_only=True)
class _Said:
    """Where the numbers of a class come from: the word, the pool's share of the scale, a sentence."""

    source: Source
    share: float
    reason: str


def _words(fit: Fit, shares: FloatArray, *, lender: str, limit: str) -> _Said:
    """Say where the numbers of a class come from; `shares`, shape (2,): the pool's, of scale and shape."""
    failures, years, share = fit.failures + fit.masked, fit.exposure / 365.25, float(shares[0])
    seen = (
        f"{failures} failures in {years:.4g} valve-years" if failures != 1 else f"1 failure in {years:.4g} valve-years"
    )
    if not failures:
        bound = f", mean rate below {_rounded_up(-np.log(0.05) / years)} a year (95 %) if constant" if years > 0 else ""
        said = f"{seen}{bound}{limit}: the rest comes from {lender}"
        return _Said(source=Source.POOL, share=share, reason=said)
    if share > OWN_SHARE:
        return _Said(source=Source.SHARED, share=share, reason=f"{seen}: {share:.0%} of the scale comes from {lender}")
    if shares[1] > OWN_SHAPE_SHARE:
        said = f"{seen}: {shares[1]:.0%} of the shape comes from {lender}"
        return _Said(source=Source.SHARED, share=share, reason=said)
    return _Said(source=Source.OWN, share=share, reason="")


def _limits(lives: Lives, learned: Learned, choices: Mapping[str, FamilyChoice]) -> list[str]:
    """Say what each sample's survival excludes if its shape in use is right; empty unless Weibull."""
    shape = np.exp(learned.mean[:, 1])
    least = scale_without_failures(lives, shape=shape, confidence=0.95)
    return [
        f"; scale above {days:.0f} days (95 %) if the shape is {steep:.2g}"
        if days > 0 and choices[item].family is Family.WEIBULL
        else ""
        for (_, item), days, steep in zip(lives.samples, least, shape, strict=True)
    ]


def _pool_shares(learned: Learned, place: int) -> FloatArray:
    """Posterior over prior variance of log scale and log shape, shape (2,)."""
    before = np.diag(learned.prior.total_covariance[place])
    return np.asarray(np.minimum(1.0, np.diag(learned.covariance[place]) / before))


def _of_class(
    sample: tuple[str, str],
    learned: Learned,
    place: int,
    fit: Fit,
    choice: FamilyChoice,
    *,
    said: _Said,
) -> InUse:
    """Posterior of a class with lives of its own."""
    log_scale, log_shape = learned.mean[place]
    sd = np.sqrt(np.diag(learned.covariance[place]))
    return InUse(
        service_class=sample[0],
        item=sample[1],
        fit=fit,
        lifetime=lifetime_from_logs(choice.family, log_scale=log_scale, log_shape=log_shape),
        log_scale_sd=float(sd[0]),
        log_shape_sd=float(sd[1]),
        correlation=float(learned.covariance[place, 0, 1] / max(sd[0] * sd[1], LEAST_SPREAD)),
        prior=learned.prior.of(place),
        source=said.source,
        pool_share=said.share,
        choice=choice,
        reason=said.reason,
    )


def _of_pool(sample: tuple[str, str], pool: MixedPrior, choice: FamilyChoice) -> InUse:
    """Say what the other classes say of a class without any life."""
    (log_scale, log_shape), (covariance,) = pool.centre[0], pool.total_covariance
    sd = np.sqrt(np.diag(covariance))
    return InUse(
        service_class=sample[0],
        item=sample[1],
        fit=None,
        lifetime=lifetime_from_logs(choice.family, log_scale=log_scale, log_shape=log_shape),
        log_scale_sd=float(sd[0]),
        log_shape_sd=float(sd[1]),
        correlation=float(covariance[0, 1] / (sd[0] * sd[1])),
        prior=pool,
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
        prior=None,
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
    families = tuple(choices[item].family for _, item in lives.samples)
    learned = learned_from_all(lives, families=families, modes=pooled_modes(lives, families=families))
    limits = _limits(lives, learned, choices)
    fits = {(fit.service_class, fit.item): (place, fit) for place, fit in enumerate(fit_weibull(lives))}
    classes = Counter(item for _, item in lives.samples)
    of_item = {item: place for place, (_, item) in enumerate(lives.samples)}
    chosen = []
    for sample in wanted:
        if sample in fits:
            place, fit = fits[sample]
            alone = classes[sample[1]] == 1
            lender = "a weak starting guess, there being no other class" if alone else "the other classes"
            shares = _pool_shares(learned, place)
            said = _words(fit, shares, lender=lender, limit=limits[place])
            chosen.append(_of_class(sample, learned, place, fit, choices[sample[1]], said=said))
        elif sample[1] in of_item:
            chosen.append(_of_pool(sample, learned.pool.of(of_item[sample[1]]), choices[sample[1]]))
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
