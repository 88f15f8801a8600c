"""The lifetime each class and item is forecast with: its own fit, or what it borrows where its own failures are few."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.fitting import Fit, FitStatus, fit_weibull
from forecasting.lifetimes import Fitted, Weibull
from forecasting.lives import Lives

__all__ = ["InUse", "Source", "lifetimes_in_use"]

OWN_FAILURES = 5
"""Below this many failures the shape is borrowed (simulation: a common shape has about half the error of own fits)."""
PRIOR_FAILURES = 0.5
"""Failures added to a scale that rests on few: the mean of the gamma posterior from Jeffreys' prior."""


class Source(StrEnum):
    """Where the parameters come from."""

    OWN = "own_fit"
    SHAPE_BORROWED = "shape_borrowed"
    ALL_BORROWED = "all_borrowed"
    UNKNOWN = "not_known"


@dataclass(frozen=True, kw_only=True)
class InUse:
    """What one class and item is forecast with.

    Parameters
    ----------
    service_class, item : str [codes]
        The sample.
    fit : Fit or None [days]
        Its own maximum-likelihood fit; None: it has no life of its own.
    lifetime : Weibull or None [days]
        What the forecast uses; None: nothing is known.
    source : Source [word]
        Where it comes from.
    pool_share : float [1]
        Share of the evidence on the scale that isn't its own.
    reason : str [text]
        Why it isn't its own fit; empty: it is.
    """

    service_class: str
    item: str
    fit: Fit | None
    lifetime: Fitted | None
    source: Source
    pool_share: float
    reason: str


def _by_item(lives: Lives) -> Lives:
    """Lives of all classes together, one sample per item."""
    items = sorted({item for _, item in lives.samples})
    number = np.array([items.index(item) for _, item in lives.samples], dtype=np.int64)
    return Lives(
        samples=tuple(("", item) for item in items),
        sample=number[lives.sample],
        entry=lives.entry,
        lower=lives.lower,
        upper=lives.upper,
        cause=lives.cause,
    )


def _shares(lives: Lives) -> FloatArray:
    """Failures by sample, a masked one shared out equally among the lives it may have ended."""
    cause = np.unique(lives.cause, return_inverse=True)[1]
    share = np.isfinite(lives.upper) / np.bincount(cause)[cause]
    return np.bincount(lives.sample, share, len(lives.samples)).astype(np.float64)


def _scale_at(lives: Lives, fit: Fit, shape: float, failures: float) -> Weibull:
    """Scale of one class at a given shape, its failures and half a one on its own exposure."""
    own = lives.of_samples([lives.samples.index((fit.service_class, fit.item))])
    failed = np.isfinite(own.upper)
    ended = np.where(failed, (own.lower + np.where(failed, own.upper, 0.0)) / 2.0, own.lower)
    spent = float((ended**shape - own.entry**shape).sum())
    return Weibull(scale=(spent / (failures + PRIOR_FAILURES)) ** (1.0 / shape), shape=shape)


def _told(failures: float) -> str:
    """Say how many failures."""
    return "1 failure" if failures == 1 else f"{failures:.4g} failures"


def _in_use(lives: Lives, fit: Fit, pooled: Fitted | None, failures: float) -> InUse:
    """Choose for a sample that has lives of its own and so many failures, masked ones shared out."""
    if fit.lifetime is not None and fit.failures >= OWN_FAILURES:
        return _put(fit, fit.lifetime, Source.OWN, 0.0, "")
    few = f"only {_told(fit.failures)}" + (" whose item is known" if fit.masked else "")
    own = few if fit.status is FitStatus.FITTED else fit.reason
    watched = f"{_told(failures)} in {fit.exposure / 365.25:.3g} valve-years"
    if pooled is None:
        reason = f"{own}; no fit over all classes either: constant rate from {watched} and half a failure"
        shape = 1.0
    else:
        reason = f"{own}; shape of the item over all classes, scale from {watched} and half a failure"
        shape = pooled.shape
    share = PRIOR_FAILURES / (failures + PRIOR_FAILURES)
    if fit.exposure > 0:
        return _put(fit, _scale_at(lives, fit, shape, failures), Source.SHAPE_BORROWED, share, reason)
    source = Source.UNKNOWN if pooled is None else Source.ALL_BORROWED
    return _put(fit, pooled, source, 1.0, f"{own}; nothing was watched")


def _put(fit: Fit, lifetime: Fitted | None, source: Source, share: float, reason: str) -> InUse:
    """Put a choice beside its fit."""
    return InUse(
        service_class=fit.service_class,
        item=fit.item,
        fit=fit,
        lifetime=lifetime,
        source=source,
        pool_share=share,
        reason=reason,
    )


def lifetimes_in_use(lives: Lives, *, wanted: Sequence[tuple[str, str]]) -> tuple[InUse, ...]:
    """Fit every class and item, and lend shape, or shape and scale, to those with few failures of their own.

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
    Abernethy, The New Weibull Handbook (Weibull fit with a given shape: scale^shape = sum t^shape / r; formula from
    memory); Jeffreys' prior for a Poisson rate (from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> quiet = lives_of_one_sample(lower=[100.0, 100.0], upper=[np.inf, np.inf])
    >>> lifetimes_in_use(quiet, wanted=[("", "")])[0].lifetime
    Weibull(scale=400.0, shape=1.0)
    """
    own = {(fit.service_class, fit.item): fit for fit in fit_weibull(lives)}
    failures = dict(zip(lives.samples, _shares(lives).tolist(), strict=True))
    together = {fit.item: fit.lifetime for fit in fit_weibull(_by_item(lives)) if fit.failures >= OWN_FAILURES}
    chosen = []
    for service_class, item in wanted:
        fit, pooled = own.get((service_class, item)), together.get(item)
        if fit is not None:
            chosen.append(_in_use(lives, fit, pooled, failures[service_class, item]))
            continue
        chosen.append(
            InUse(
                service_class=service_class,
                item=item,
                fit=None,
                lifetime=pooled,
                source=Source.UNKNOWN if pooled is None else Source.ALL_BORROWED,
                pool_share=1.0,
                reason="no life of this class could be watched",
            )
        )
    return tuple(chosen)
