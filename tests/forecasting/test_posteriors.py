"""What is known of log scale and log shape: nodes and points against sums over a brute-force grid of the density."""

import numpy as np
import pytest
from scipy.stats import qmc

from forecasting.arrays import FloatArray
from forecasting.densities import PLENTY
from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.family_choice import FamilyChoice
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.pooling import InUse, lifetimes_in_use, lifetimes_of_families
from forecasting.posteriors import Posteriors, posterior_nodes, posterior_points
from forecasting.priors import MixedPrior

YEAR = 365.25


def watched(failures: int, running: int = 6) -> Lives:
    """Lives of a class: so many failures at Weibull plotting positions, some running, some of them entered late."""
    ages = np.round(1500.0 * (-np.log(1.0 - (np.arange(failures) + 0.5) / max(failures, 1))) ** 0.5) + 20.0
    entry = np.concatenate([np.where(np.arange(failures) % 2, 0.0, 0.3 * ages), np.linspace(0.0, 500.0, running)])
    lower = np.concatenate([ages, np.linspace(600.0, 1600.0, running)])
    return lives_of_one_sample(lower=lower, upper=np.append(ages, np.full(running, np.inf)), entry=entry)


def of(lives: Lives) -> tuple[InUse, ...]:
    return lifetimes_in_use(lives, wanted=lives.samples)


def log_prior(prior: MixedPrior, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """Log density of a mixture of normal priors, written down plainly."""
    density = np.zeros_like(log_scale)
    for mean, covariance, weight in zip(prior.mean[0], prior.covariance[0], prior.weight[0], strict=True):
        away = np.stack([log_scale - mean[0], log_shape - mean[1]])
        precision = np.linalg.inv(covariance)
        squared = (
            precision[0, 0] * away[0] ** 2 + 2 * precision[0, 1] * away[0] * away[1] + precision[1, 1] * away[1] ** 2
        )
        density += weight * np.exp(-squared / 2) * np.sqrt(np.linalg.det(precision))
    return np.asarray(np.log(np.maximum(density, 1e-300)))


def brute_force(one: InUse, lives: Lives) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log scales, log shapes and probabilities of a Weibull's posterior on 301 x 301 nodes, written down plainly."""
    assert one.prior is not None
    assert one.lifetime is not None
    assert one.log_scale_sd is not None
    assert one.log_shape_sd is not None
    scale = np.log(one.lifetime.scale) + one.log_scale_sd * np.linspace(-9.0, 9.0, 301)
    shape = np.log(one.lifetime.shape) + one.log_shape_sd * np.linspace(-9.0, 9.0, 301)
    log_scale, log_shape = np.meshgrid(scale, shape, indexing="ij")
    steep = np.exp(log_shape)
    height = log_prior(one.prior, log_scale, log_shape)
    with np.errstate(divide="ignore", over="ignore"):
        for entry, lower, upper in zip(lives.entry, lives.lower, lives.upper, strict=True):
            height += np.exp(steep * (np.log(lower) - log_scale)) * np.expm1(steep * np.log(entry / lower))
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
    """A mean 0.04 and a spread 3 % off move a 90 % quantile by at most 0.4 and 0.5 % of the probability."""
    lives = watched(failures)
    (one,) = of(lives)
    found = posterior_nodes([one], lives=lives)
    truth = moments(*brute_force(one, lives))
    ours = moments(found.log_scale[0], found.log_shape[0], found.weight[0])
    assert ours[:2] == pytest.approx(truth[:2], abs=0.04 * min(truth[2], truth[3]))
    assert ours[2:4] == pytest.approx(truth[2:4], rel=0.03)
    assert ours[4] == pytest.approx(truth[4], abs=0.04 * truth[2] * truth[3])
    assert found.mean[0] == pytest.approx(ours[:2])
    assert np.sqrt(np.diag(found.covariance[0])) == pytest.approx(ours[2:4])


@pytest.mark.parametrize("failures", [0, 2, 20])
def test_points_fall_where_the_density_is(failures: int) -> None:
    """Shares of 1,024 Sobol points below the density's own deciles of log scale and of log shape.

    With a class alone and two failures the density is bent, its ridge as wide as two nodes: up to 2 % off.
    """
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
            assert np.mean(drawn < np.interp(decile, share, values)) == pytest.approx(decile, abs=0.02)
    truth = moments(log_scale, log_shape, weight)
    together = np.cov(points.log_scale[0], points.log_shape[0])[0, 1]
    assert together == pytest.approx(truth[4], abs=0.04 * truth[2] * truth[3])


def test_an_exponential_has_no_shape_to_be_unsure_of() -> None:
    """A spread wrong by 2 % puts at most 0.4 % more or less beyond a 90 % quantile."""
    lives = watched(2)
    given = FamilyChoice(family=Family.EXPONENTIAL, failures=2, runner_up=None, difference=None)
    (one,) = lifetimes_of_families(lives, wanted=lives.samples, choices={"": given})
    found = posterior_nodes([one], lives=lives)
    assert one.prior is not None
    log_scale = np.linspace(3.0, 15.0, 2001)
    exposure = float((lives.lower - lives.entry).sum())
    height = -2.0 * log_scale - exposure * np.exp(-log_scale)
    height += log_prior(one.prior, log_scale, np.zeros(2001))
    truth = moments(log_scale, np.zeros(2001), np.exp(height - height.max()) / np.exp(height - height.max()).sum())
    assert found.log_shape.tolist() == np.zeros((1, 441)).tolist()
    assert found.mean[0] == pytest.approx([truth[0], 0.0], abs=0.01 * truth[2])
    assert np.sqrt(found.covariance[0, 0, 0]) == pytest.approx(truth[2], rel=0.02)


def masked(rng: np.random.Generator) -> Lives:
    """Two items of ten valves; of the first four failures nobody knows which item it was."""
    ages = np.sort(rng.weibull(2.0, 10) * 1200.0)
    cause = np.concatenate([np.arange(4), 100 + np.arange(6), np.arange(4), 200 + np.arange(6)])
    upper = np.concatenate([ages[:7], np.full(3, np.inf), ages[:4], np.full(6, np.inf)])
    return Lives(
        samples=(("a", "packing"), ("a", "trim")),
        sample=np.repeat([0, 1], 10),
        entry=np.zeros(20),
        lower=np.concatenate([ages, ages]),
        upper=upper,
        cause=cause,
    )


def test_items_joined_by_masked_causes_move_together() -> None:
    """Against sums over 17^4 nodes of both items' parameters; a profile is near a marginal, not equal to it."""
    lives = masked(np.random.default_rng(1))
    in_use = of(lives)
    found = posterior_nodes(in_use, lives=lives)
    span = np.linspace(-5.0, 5.0, 17)
    axes = []
    for one in in_use:
        assert one.lifetime is not None
        centre = np.log([one.lifetime.scale, one.lifetime.shape])
        axes += [centre[0] + span * float(one.log_scale_sd or 0), centre[1] + span * float(one.log_shape_sd or 0)]
    grid = np.meshgrid(*axes, indexing="ij", sparse=True)
    height: FloatArray = np.zeros((17,) * 4)
    for place, one in enumerate(in_use):
        assert one.prior is not None
        own = np.broadcast_arrays(grid[2 * place], grid[2 * place + 1])
        flat = log_prior(one.prior, own[0].reshape(17, 17), own[1].reshape(17, 17))
        height = height + flat.reshape(own[0].shape)
    log_hazards = []
    for place in range(2):
        log_scale, log_shape = grid[2 * place : 2 * place + 2]
        ages = np.log(lives.lower[lives.sample == place])
        height = height - sum(np.exp(np.exp(log_shape) * (age - log_scale)) for age in ages)
        log_hazards.append([log_shape + np.exp(log_shape) * (age - log_scale) - age for age in ages])
    height = height + sum(np.logaddexp(log_hazards[0][row], log_hazards[1][row]) for row in range(4))
    height = height + sum(log_hazards[0][row] for row in range(4, 7))
    weight = np.exp(height - height.max())
    for place in range(2):
        marginal = weight.sum(axis=(2, 3) if place == 0 else (0, 1))
        first, second = np.meshgrid(axes[2 * place], axes[2 * place + 1], indexing="ij")
        truth = moments(first, second, marginal / marginal.sum())
        assert found.mean[place] == pytest.approx(truth[:2], abs=0.25 * min(truth[2], truth[3]))
        assert np.sqrt(np.diag(found.covariance[place])) == pytest.approx(truth[2:4], rel=0.15)


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
    assert in_use[1].prior is not None
    assert found.mean[1] == pytest.approx(in_use[1].prior.centre[0], abs=0.01), "a class without lives is the pool"
    spread, whole = (np.sqrt(np.diag(one)) for one in (found.covariance[1], in_use[1].prior.total_covariance[0]))
    assert spread == pytest.approx(whole, rel=0.05), "its far tail is beyond the nodes"


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
