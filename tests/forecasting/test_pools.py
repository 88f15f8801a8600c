"""What is known of a class while its pool isn't known: against sums over a plain grid of pools, sharing no code."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.special import ndtr

from forecasting import pools
from forecasting.arrays import FloatArray
from forecasting.class_likelihoods import Cells
from forecasting.families import Family
from forecasting.lives import Lives
from forecasting.pooled_modes import pooled_modes
from forecasting.pools import Learned, learned_from_all
from forecasting.priors import MixedPrior

CLASSES, EACH, QUIET = 4, 8, 2
"""The one with this number has no failure."""
MEANS, LOG_FACTORS = np.linspace(-4.0, 4.0, 81), np.linspace(-3.0, 3.0, 15)
"""Means over what is usual, and spreads: their logs over the usual one in standard deviations."""


@pytest.fixture(scope="module")
def lives() -> Lives:
    """Eight lives of each of four classes, every other one entered late: 5, 4, 0 and 3 failures."""
    rng = np.random.default_rng(1)
    scale = np.repeat([900.0, 1500.0, 2500.0, 1300.0], EACH)
    entry = np.tile([0.0, 400.0], CLASSES * EACH // 2)
    age = scale * ((entry / scale) ** 2.0 + rng.exponential(size=len(scale))) ** 0.5
    end = entry + np.repeat([700.0, 600.0, 500.0, 900.0], EACH)
    return Lives(
        samples=tuple((f"class {number}", "trim") for number in range(CLASSES)),
        sample=np.repeat(np.arange(CLASSES), EACH),
        entry=entry,
        lower=np.minimum(age, end),
        upper=np.where(age <= end, age, np.inf),
        cause=np.arange(len(age)),
    )


@dataclass(frozen=True, kw_only=True)
class Known:
    """Mean, shape (2,), and covariance, shape (2, 2), of log scale and log shape."""

    mean: FloatArray
    covariance: FloatArray


def known(density: FloatArray, scale: FloatArray, shape: FloatArray) -> Known:
    """Moments of a density on a grid."""
    weight = density / density.sum()
    nodes = np.stack(np.meshgrid(scale, shape, indexing="ij"))
    mean = (weight * nodes).sum(axis=(1, 2))
    away = nodes - mean[:, None, None]
    return Known(mean=mean, covariance=np.einsum("ab,iab,jab->ij", weight, away, away))


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is known of each class from all lives, from the others' only, and of one more class."""

    posterior: list[Known]
    others: list[Known]
    one_more: Known


def likelihood(lives: Lives, number: int, scale: FloatArray, shape: FloatArray) -> FloatArray:
    """Weibull likelihood of one class, written down plainly."""
    log_scale, steep = scale[:, None], np.exp(shape)[None, :]
    height = np.zeros((len(scale), len(shape)))
    for row in np.flatnonzero(lives.sample == number):
        entry, age = lives.entry[row], lives.lower[row]
        height -= (age / np.exp(log_scale)) ** steep - (entry / np.exp(log_scale)) ** steep
        if np.isfinite(lives.upper[row]):
            height += np.log(steep) + steep * (np.log(age) - log_scale)
    return np.asarray(np.exp(height - height.max()))


def shares(values: FloatArray, *, middle: float, spread: float, factor: float) -> FloatArray:
    """Share of the classes of every pool that lie in each value's cell, shape (values, 81 means * 15 spreads)."""
    half = (values[1] - values[0]) / 2.0
    edges = np.append(values - half, values[-1] + half)
    below = ndtr((edges[:, None, None] - middle - MEANS[:, None]) / (spread * np.exp(factor * LOG_FACTORS)))
    return np.diff(below, axis=0).reshape(len(values), -1)


def credible(wide: float) -> FloatArray:
    """How credible each pool is beforehand: means normal with `wide`, spreads log-normal; shape (81 * 15,)."""
    return np.asarray(np.exp(-((MEANS[:, None] / wide) ** 2) / 2.0 - LOG_FACTORS**2 / 2.0)).ravel()


@pytest.fixture(scope="module")
def truth(lives: Lives) -> Truth:
    """Sums over 1215 x 1215 pools and 141 x 81 values of a class; beliefs beforehand are those of DEVELOPERS.md."""
    scale, shape = np.linspace(4.0, 14.0, 141), np.linspace(-2.5, 3.5, 81)
    usual = float(np.log((lives.lower - lives.entry).sum() / (np.isfinite(lives.upper).sum() + 0.5)))
    of_scale = shares(scale, middle=usual, spread=0.5, factor=0.8)
    of_shape = shares(shape, middle=float(np.log(1.5)), spread=0.15, factor=0.7)
    beforehand = np.outer(credible(2.0), credible(0.7))
    told = [likelihood(lives, number, scale, shape) for number in range(CLASSES)]
    evidence = [of_scale.T @ one @ of_shape for one in told]

    def of_a_class(pools_told: FloatArray) -> FloatArray:
        return np.asarray(of_scale @ pools_told @ of_shape.T)

    others = [
        of_a_class(beforehand * np.prod([evidence[other] for other in range(CLASSES) if other != number], axis=0))
        for number in range(CLASSES)
    ]
    return Truth(
        posterior=[known(one * prior, scale, shape) for one, prior in zip(told, others, strict=True)],
        others=[known(prior, scale, shape) for prior in others],
        one_more=known(of_a_class(beforehand * np.prod(evidence, axis=0)), scale, shape),
    )


def learned(lives: Lives) -> Learned:
    weibull = (Family.WEIBULL,) * CLASSES
    return learned_from_all(lives, families=weibull, modes=pooled_modes(lives, families=weibull))


def assert_near(found: Known, truth: Known, *, spread: float) -> None:
    """A mean 0.1 standard deviations off moves a 90 % quantile by 1.8 % of probability, a spread 5 % off by 1.1 %."""
    sd = np.sqrt(np.diag(truth.covariance))
    assert (found.mean - truth.mean) / sd == pytest.approx(np.zeros(2), abs=0.1)
    assert np.sqrt(np.diag(found.covariance)) / sd == pytest.approx(np.ones(2), abs=spread)
    assert (found.covariance - truth.covariance)[0, 1] / sd.prod() == pytest.approx(0.0, abs=0.1)


def assert_learned(found: Learned, truth: Truth) -> None:
    """The class without failures has a tail that the nodes cut off: its spread may be 12 % too small."""
    for number, (posterior, others) in enumerate(zip(truth.posterior, truth.others, strict=True)):
        ours = Known(mean=found.mean[number], covariance=found.covariance[number])
        assert_near(ours, posterior, spread=0.12 if number == QUIET else 0.05)
        said = Known(mean=found.prior.centre[number], covariance=found.prior.total_covariance[number])
        assert_near(said, others, spread=0.05)
        more = Known(mean=found.pool.centre[number], covariance=found.pool.total_covariance[number])
        assert_near(more, truth.one_more, spread=0.05)


def test_what_is_known_of_a_class_is_that_over_all_pools(lives: Lives, truth: Truth) -> None:
    assert_learned(learned(lives), truth)


Priors = tuple[MixedPrior, MixedPrior]
"""What is believed of each class without its own lives, and of one more."""


def plugged_in(found: pools._Pools, said: Priors) -> Priors:
    """Take the most probable pool for the pool."""
    log_spread, mean = np.split(found.nodes[np.argmax(found.weight)], 2)
    wide = np.diag(np.exp(2.0 * log_spread))

    def surely(one: MixedPrior) -> MixedPrior:
        covariance = np.broadcast_to(wide, one.covariance.shape)
        return MixedPrior(mean=np.broadcast_to(mean, one.mean.shape), covariance=covariance, weight=one.weight)

    return surely(said[0]), surely(said[1])


def mean_plugged_in(found: pools._Pools, said: Priors) -> Priors:
    """Take the mean of the pool for known at each pair of spreads."""
    log_spread = found.centre[:2] + pools.PAIRS @ found.root[:2, :2].T
    narrow = np.exp(2.0 * log_spread)[:, :, None] * np.eye(2)

    def surely(one: MixedPrior) -> MixedPrior:
        return replace(one, covariance=np.broadcast_to(narrow, one.covariance.shape))

    return surely(said[0]), surely(said[1])


def spread_plugged_in(found: pools._Pools, said: Priors) -> Priors:
    """Take the most probable spreads for the spreads."""
    only = np.eye(16)[found.weight.reshape(16, 16).sum(axis=1).argmax()]

    def surely(one: MixedPrior) -> MixedPrior:
        return replace(one, weight=np.broadcast_to(only, one.weight.shape))

    return surely(said[0]), surely(said[1])


def told_twice(_: pools._Pools, said: Priors) -> Priors:
    """Let a class's own lives speak through the pool too."""
    return MixedPrior.stacked([said[1]] * len(said[0].mean)), said[1]


@pytest.mark.parametrize("wrong", [plugged_in, mean_plugged_in, spread_plugged_in, told_twice])
def test_a_pool_taken_for_known_is_found_out(
    wrong: Callable[[pools._Pools, Priors], Priors], lives: Lives, truth: Truth, monkeypatch: pytest.MonkeyPatch
) -> None:
    right = pools._priors

    def mutant(found: pools._Pools, before: FloatArray, cells: Cells) -> Priors:
        return wrong(found, right(found, before, cells))

    monkeypatch.setattr(pools, "_priors", mutant)
    with pytest.raises(AssertionError, match="comparison failed"):
        assert_learned(learned(lives), truth)
