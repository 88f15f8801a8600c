"""Failures whose item isn't said: shared out by the fit, or refused where the items can't be told apart."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forecasting.fitting import Fit, FitStatus, fit_weibull
from forecasting.lifetimes import Weibull
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from tests.reference import slow

INF = math.inf


def fitted(fit: Fit) -> Weibull:
    """The lifetime of a fit that has one."""
    assert fit.status is FitStatus.FITTED
    assert isinstance(fit.lifetime, Weibull)
    return fit.lifetime


def two_items(rng: np.random.Generator, *, valves: int, masked: float) -> Lives:
    """Packing and trim of valves, each ending when the first of them fails, not always said which."""
    packing = slow.Item(shape=1.0, scale=900.0).life(rng, valves)
    trim = slow.Item(shape=2.5, scale=1200.0).life(rng, valves)
    last = rng.uniform(200.0, 1500.0, valves)
    day = np.minimum(np.minimum(packing, trim), last)
    silent = (day < last) & (rng.random(valves) < masked)
    causes = np.arange(valves)
    return Lives(
        samples=(("air", "packing"), ("air", "trim")),
        sample=np.repeat([0, 1], valves),
        entry=np.zeros(2 * valves),
        lower=np.tile(day, 2),
        upper=np.concatenate([
            np.where((packing == day) | silent, day, INF),
            np.where((trim == day) | silent, day, INF),
        ]),
        cause=np.concatenate([causes, np.where(silent, causes, causes + valves)]),
    )


def test_masked_causes_are_recovered() -> None:
    """Simulated, half of the causes unsaid: intercept and slope of both items within 4 standard errors."""
    lives = two_items(np.random.default_rng(5), valves=3000, masked=0.5)
    packing, trim = (fitted(fit) for fit in fit_weibull(lives))
    likelihood = Likelihood(lives=lives)
    found, truth = (
        np.stack([shapes * np.log(likelihood.reference / scales), shapes], axis=1)
        for scales, shapes in (
            (np.array([packing.scale, trim.scale]), np.array([packing.shape, trim.shape])),
            (np.array([900.0, 1200.0]), np.array([1.0, 2.5])),
        )
    )
    errors = np.sqrt(np.diag(np.linalg.inv(-likelihood.at(found).hessian[0])))
    assert np.abs((found - truth).ravel() / errors).max() < 4.0
    # the test can fail: were masked causes counted on both items, the trim would be 8 errors off
    both = replace(lives, cause=np.arange(len(lives)))
    wrong = fitted(fit_weibull(both)[1])
    assert abs(wrong.shape - 2.5) > 8.0 * errors[3]


def test_an_independent_optimiser_finds_the_same_masked_maximum() -> None:
    """Four parameters at once, half of the causes unsaid."""
    lives = two_items(np.random.default_rng(6), valves=80, masked=0.5)
    causes: dict[int, list[slow.SlowLife]] = {}
    for item, lower, upper, cause in zip(lives.sample, lives.lower, lives.upper, lives.cause, strict=True):
        causes.setdefault(int(cause), []).append((int(item), 0.0, float(lower), float(upper)))
    told = list(causes.values())
    best = slow.highest(
        lambda at: slow.log_likelihood(told, [(at[0], at[1]), (at[2], at[3])]), [900.0, 1.0, 1200.0, 2.0]
    )
    packing, trim = (fitted(fit) for fit in fit_weibull(lives))
    assert [packing.scale, packing.shape, trim.scale, trim.shape] == pytest.approx(best.tolist(), rel=2e-6)
    assert any(len(cause) == 2 for cause in told)


def test_items_never_told_apart_are_not_fitted() -> None:
    """Each failure renews both and nothing says which failed: the two lifetimes could be exchanged."""
    fits = fit_weibull(two_items(np.random.default_rng(7), valves=400, masked=1.0))
    assert [fit.status for fit in fits] == 2 * [FitStatus.CAUSES_NOT_SEPARABLE]
    assert [fit.lifetime for fit in fits] == [None, None]
    assert [fit.failures for fit in fits] == [0, 0]


def test_an_item_that_only_ever_may_have_failed_gives_way_without_a_number() -> None:
    """Its rate falls to nothing and its shape leaves the limits, where a scale would overflow; the other is fitted."""
    fits = fit_weibull(
        Lives(
            samples=(("air", "packing"), ("air", "trim")),
            sample=np.array([0, 0, 0, 0, 1, 1, 1]),
            entry=np.array([103.0, 616.0, 0.0, 56.0, 1125.0, 886.0, 0.0]),
            lower=np.array([339.0, 1012.0, 1426.0, 729.0, 1316.0, 1708.0, 1535.0]),
            upper=np.array([405.0, 1012.0, 1426.0, 729.0, 1316.0, INF, INF]),
            cause=np.array([0, 1, 2, 3, 3, 4, 5]),
        )
    )
    assert [fit.status for fit in fits] == [FitStatus.FITTED, FitStatus.CAUSES_NOT_SEPARABLE]
    assert fits[1].lifetime is None


def test_a_hessian_too_large_for_a_fixed_shift_does_not_stop_the_climb() -> None:
    """On its way one start meets second derivatives of 1e17."""
    fits = fit_weibull(
        Lives(
            samples=(("air", "actuator"), ("air", "packing"), ("air", "trim")),
            sample=np.array([1, 0, 0, 1, 0, 1, 2, 2, 0, 1, 2, 1, 2, 2, 1, 0, 2, 2]),
            entry=np.array([
                *(116.0, 107.0, 136.0, 100.0, 1302.0, 207.0, 1.0, 146.0, 116.0),
                *(1.0, 205.0, 50.0, 542.0, 1026.0, 231.0, 191.0, 147.0, 366.0),
            ]),
            lower=np.array([
                *(116.0, 192.0, 540.0, 1274.0, 1333.0, 340.0, 1.0, 146.0, 116.0),
                *(173.0, 414.0, 79.0, 542.0, 1026.0, 546.0, 191.0, 147.0, 454.0),
            ]),
            upper=np.array([
                *(1955.0, 192.0, INF, 1274.0, 1333.0, INF, 2000.0, 963.0, 1955.0),
                *(2000.0, INF, 79.0, 1871.0, 1458.0, INF, 1720.0, 1439.0, 454.0),
            ]),
            cause=np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 15, 16]),
        )
    )
    assert [fit.status for fit in fits] == [
        FitStatus.CAUSES_NOT_SEPARABLE,
        FitStatus.FITTED,
        FitStatus.CAUSES_NOT_SEPARABLE,
    ]
