"""What is known of log scale and log shape: nodes and points against sums over a brute-force grid of the density."""

import numpy as np
import pytest
from scipy.stats import qmc

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.pooling import InUse, lifetimes_in_use
from forecasting.posteriors import PLENTY, Posteriors, posterior_nodes, posterior_points

YEAR = 365.25


def watched(failures: int, running: int = 6) -> Lives:
    """Lives of a class: so many failures at Weibull plotting positions, some running, some of them entered late."""
    ages = np.round(1500.0 * (-np.log(1.0 - (np.arange(failures) + 0.5) / max(failures, 1))) ** 0.5) + 20.0
    entry = np.concatenate([np.where(np.arange(failures) % 2, 0.0, 0.3 * ages), np.linspace(0.0, 500.0, running)])
    lower = np.concatenate([ages, np.linspace(600.0, 1600.0, running)])
    return lives_of_one_sample(lower=lower, upper=np.append(ages, np.full(running, np.inf)), entry=entry)


def of(lives: Lives) -> tuple[InUse, ...]:
    return lifetimes_in_use(lives, wanted=lives.samples)


def brute_force(one: InUse, lives: Lives) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log scales, log shapes and probabilities of a Weibull's posterior on 301 x 301 nodes, written down plainly."""
    assert one.prior_mean is not None
    assert one.prior_sd is not None
    assert one.lifetime is not None
    assert one.log_scale_sd is not None
    assert one.log_shape_sd is not None
    scale = np.log(one.lifetime.scale) + one.log_scale_sd * np.linspace(-9.0, 9.0, 301)
    shape = np.log(one.lifetime.shape) + one.log_shape_sd * np.linspace(-9.0, 9.0, 301)
    log_scale, log_shape = np.meshgrid(scale, shape, indexing="ij")
    steep = np.exp(log_shape)
    height = -(((log_scale - one.prior_mean[0]) / one.prior_sd[0]) ** 2) / 2
    height -= ((log_shape - one.prior_mean[1]) / one.prior_sd[1]) ** 2 / 2
    with np.errstate(divide="ignore", over="ignore"):
        for entry, lower, upper in zip(lives.entry, lives.lower, lives.upper, strict=True):
            height += np.exp(steep * (np.log(entry) - log_scale)) - np.exp(steep * (np.log(lower) - log_scale))
            if np.isfinite(upper):
                height += log_shape + steep * (np.log(lower) - log_scale)
    weight = np.exp(height - height.max())
    return log_scale, log_shape, weight / weight.sum()


def moments(log_scale: FloatArray, log_shape: FloatArray, weight: FloatArray) -> FloatArray:
    """Means, standard deviations and covariance."""
    scale, shape = float((weight * log_scale).sum()), float((weight * log_shape).sum())
    away, off = log_scale - scale, log_shape - shape
    spread, bend = np.sqrt((weight * away**2).sum()), np.sqrt((weight * off**2).sum())
    return np.array([scale, shape, spread, bend, (weight * away * off).sum()])


@pytest.mark.parametrize("failures", [0, 1, 2, 5, 20])
def test_moments_are_those_of_the_density(failures: int) -> None:
    """A hundredth of a standard deviation would move a 90 % quantile by less than 0.4 % of the probability."""
    lives = watched(failures)
    (one,) = of(lives)
    found = posterior_nodes([one], lives=lives)
    truth = moments(*brute_force(one, lives))
    ours = moments(found.log_scale[0], found.log_shape[0], found.weight[0])
    assert ours[:2] == pytest.approx(truth[:2], abs=0.01 * min(truth[2], truth[3]))
    assert ours[2:4] == pytest.approx(truth[2:4], rel=0.01)
    assert ours[4] == pytest.approx(truth[4], abs=0.01 * truth[2] * truth[3])
    assert found.mean[0] == pytest.approx(ours[:2])
    assert np.sqrt(np.diag(found.covariance[0])) == pytest.approx(ours[2:4])


@pytest.mark.parametrize("failures", [0, 2, 20])
def test_points_fall_where_the_density_is(failures: int) -> None:
    """Shares of 1,024 Sobol points below the density's own deciles of log scale and of log shape."""
    lives = watched(failures)
    (one,) = of(lives)
    nodes = posterior_nodes([one], lives=lives)
    unit = qmc.Sobol(2, scramble=False).random(1024)[None] + 0.5 / 1024
    points = posterior_points(nodes, unit=unit)
    log_scale, log_shape, weight = brute_force(one, lives)
    for values, axis, drawn in ((log_scale[:, 0], 1, points.log_scale), (log_shape[0], 0, points.log_shape)):
        at = weight.sum(axis=axis)
        share = np.cumsum(at) - at / 2.0
        for decile in np.linspace(0.1, 0.9, 9):
            assert np.mean(drawn < np.interp(decile, share, values)) == pytest.approx(decile, abs=0.015)
    truth = moments(log_scale, log_shape, weight)
    together = np.cov(points.log_scale[0], points.log_shape[0])[0, 1]
    assert together == pytest.approx(truth[4], abs=0.02 * truth[2] * truth[3])


def test_a_class_without_failures_is_wide_but_finite() -> None:
    lives = watched(0)
    (one,) = of(lives)
    found = posterior_nodes([one], lives=lives)
    assert np.isfinite(found.log_scale).all()
    assert np.isfinite(found.log_shape).all()
    spread = np.sqrt(np.diag(found.covariance[0]))
    assert 0.5 < spread[0] < 2.0
    assert found.mean[0, 0] > np.log(1600.0), "longer than the longest life seen"


def test_each_row_of_weights_sums_to_one() -> None:
    lives = watched(5)
    in_use = lifetimes_in_use(lives, wanted=[("", ""), ("new", "")])
    found = posterior_nodes(in_use, lives=lives)
    assert found.weight.sum(axis=1) == pytest.approx(np.ones(2), abs=1e-12)
    assert found.mean[1] == pytest.approx(in_use[1].prior_mean), "a class without lives is the pool"
    assert np.sqrt(np.diag(found.covariance[1])) == pytest.approx(in_use[1].prior_sd, rel=1e-3)


def test_days_or_years_give_the_same_nodes() -> None:
    """The pool settles to 1e-4, so 1e-3."""
    lives = watched(2)
    in_years = lives_of_one_sample(lower=lives.lower / YEAR, upper=lives.upper / YEAR, entry=lives.entry / YEAR)
    days, years = (posterior_nodes(of(one), lives=one) for one in (lives, in_years))
    assert years.log_scale + np.log(YEAR) == pytest.approx(days.log_scale, abs=1e-3)
    assert years.log_shape == pytest.approx(days.log_shape, abs=1e-3)
    assert years.weight == pytest.approx(days.weight, abs=1e-3)


def test_with_many_failures_the_normal_approximation_is_used() -> None:
    lives = watched(PLENTY)
    (one,) = of(lives)
    assert one.lifetime is not None
    found = posterior_nodes([one], lives=lives)
    assert found.mean[0] == pytest.approx(np.log([one.lifetime.scale, one.lifetime.shape]))
    truth = moments(*brute_force(one, lives))
    assert np.abs(found.mean[0] - truth[:2]) / truth[2:4] == pytest.approx(np.zeros(2), abs=0.2), "mode, not mean"


def test_all_samples_of_the_lives_must_be_given_and_known() -> None:
    lives = watched(2)
    unknown = lifetimes_in_use(lives, wanted=[("a", "other item")])
    with pytest.raises(InvalidInput, match="nothing is known of 'a', 'other item'"):
        posterior_nodes(unknown, lives=lives)
    with pytest.raises(InvalidInput, match="every sample of `lives`, got none for"):
        posterior_nodes((), lives=lives)


def test_points_come_from_inside_the_unit_square() -> None:
    lives = watched(2)
    nodes: Posteriors = posterior_nodes(of(lives), lives=lives)
    with pytest.raises(InvalidInput, match=r"`unit` must have shape \(1, k, 2\), got \(4, 2\)"):
        posterior_points(nodes, unit=np.full((4, 2), 0.5))
    with pytest.raises(InvalidInput, match=r"must lie in \(0, 1\), got 0.0 to 0.0"):
        posterior_points(nodes, unit=np.zeros((1, 4, 2)))
