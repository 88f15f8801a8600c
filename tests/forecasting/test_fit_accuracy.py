"""Maxima against an independent optimiser, on random samples of every kind of censoring and every family."""

from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize, root
from scipy.special import log_ndtr

from forecasting.families import Family
from forecasting.fitting import FitStatus, fit_lifetimes
from forecasting.lives import Lives, lives_of_one_sample

Vector = NDArray[Any]
SAMPLES = 250
SMALL_SAMPLES = 60
STEP = 1e-30
KINDS = ("exact", "right", "left", "interval", "late", "mixed")


def log_survival(family: Family, z: Vector) -> Vector:
    """Log of the share that outlasts z = shape * (log age - log scale)."""
    table: dict[Family, Callable[[Vector], Vector]] = {
        Family.EXPONENTIAL: lambda at: -np.exp(at),
        Family.WEIBULL: lambda at: -np.exp(at),
        Family.LOGNORMAL: lambda at: log_ndtr(-at),
        Family.LOGLOGISTIC: lambda at: -np.log1p(np.exp(at)),
    }
    return table[family](z)


def log_density(family: Family, z: Vector) -> Vector:
    """Log of the density of z."""
    table: dict[Family, Callable[[Vector], Vector]] = {
        Family.EXPONENTIAL: lambda at: at - np.exp(at),
        Family.WEIBULL: lambda at: at - np.exp(at),
        Family.LOGNORMAL: lambda at: -(at**2) / 2.0 - 0.5 * np.log(2.0 * np.pi),
        Family.LOGLOGISTIC: lambda at: at - 2.0 * np.log1p(np.exp(at)),
    }
    return table[family](z)


def log_likelihood(family: Family, lives: Lives, at: Vector) -> Any:
    """Written from densities and survival, life by kind of life; `at` is log scale and log shape, complex allowed."""
    shape = np.exp(at[1])

    def z(age: Vector) -> Vector:
        return np.asarray(shape * (np.log(age) - at[0]))

    late, exact, right = lives.entry > 0, lives.lower == lives.upper, np.isinf(lives.upper)
    left, between = ~right & (lives.lower == 0), ~exact & ~right & (lives.lower > 0)
    total = -log_survival(family, z(lives.entry[late])).sum()
    total += (log_density(family, z(lives.lower[exact])) + np.log(shape) - np.log(lives.lower[exact])).sum()
    total += log_survival(family, z(lives.lower[right])).sum()
    total += np.log(-np.expm1(log_survival(family, z(lives.upper[left])))).sum()
    outlast, gone = (log_survival(family, z(age[between])) for age in (lives.lower, lives.upper))
    return total + (outlast + np.log(-np.expm1(gone - outlast))).sum()


def score(family: Family, lives: Lives, at: Vector, free: int) -> Vector:
    """Exact derivatives by a step along the imaginary axis."""
    steps = 1j * STEP * np.eye(2)[:free]
    return np.array([log_likelihood(family, lives, at + step).imag / STEP for step in steps])


def highest(family: Family, lives: Lives, start: Vector) -> Vector:
    """Log scale and log shape where the likelihood is highest: a simplex, then a root of the score."""
    free = 1 if family is Family.EXPONENTIAL else 2

    def whole(part: Vector) -> Vector:
        return np.append(part, np.zeros(2 - free))

    def depth(part: Vector) -> float:
        value = float(np.real(log_likelihood(family, lives, whole(part))))
        return -value if np.isfinite(value) else 1e10

    def slope(part: Vector) -> Vector:
        return score(family, lives, whole(part), free)

    with np.errstate(all="ignore"):
        rough = minimize(depth, start[:free], method="Nelder-Mead", tol=1e-4).x
        found = root(slope, rough, tol=1e-15).x
    return whole(found)


def best_at_shape(family: Family, lives: Lives, shape: float, about: float) -> float:
    """Find the highest log-likelihood at a shape, by a grid on shape times log scale over `about`."""
    grid = about + np.linspace(-20.0, 20.0, 161) / shape
    with np.errstate(all="ignore"):
        values = [float(log_likelihood(family, lives, np.array([scale, np.log(shape)]))) for scale in grid]
    return float(np.nanmax(np.where(np.isfinite(values), values, -np.inf)))


def towards_the_edge(family: Family, lives: Lives, status: FitStatus) -> list[float]:
    """Highest log-likelihoods at shapes on the way to the edge where the maximum is said to be missing."""
    if status is FitStatus.NO_FAILURES:
        return [float(log_likelihood(family, lives, np.array([scale, 0.0]))) for scale in (1.0, 4.0, 8.0, 16.0)]
    if status is FitStatus.SHAPE_TO_ZERO:
        middle = float(np.log(np.maximum(lives.lower, 1.0)).mean())
        return [best_at_shape(family, lives, shape, middle) for shape in (4.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.01)]
    first, seen = float(lives.upper.min()), lives.lower > lives.entry
    step = first if (lives.lower == lives.upper).any() else (lives.lower[seen].max(initial=0.0) + first) / 2.0
    return [best_at_shape(family, lives, shape, float(np.log(step))) for shape in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)]


def random_sample(rng: np.random.Generator, kind: str, sizes: tuple[int, int] = (3, 61)) -> Lives:
    """From 3 to 60 lives, say, of shape 0.4 to 6 and scale 1, some of them censored as the kind says."""
    n, shape = int(rng.integers(*sizes)), float(np.exp(rng.uniform(np.log(0.4), np.log(6.0))))
    entry = np.where(rng.random(n) < 0.5, rng.uniform(0.0, 1.0, n), 0.0) * (kind in {"late", "mixed"})
    age = (entry**shape + rng.exponential(size=n)) ** (1.0 / shape)
    wide = {"exact": 0, "right": 1, "left": 2, "interval": 3, "late": 1, "mixed": -1}[kind]
    which = rng.integers(0, 4, n) if wide < 0 else np.where(rng.random(n) < 0.4, wide, 0)
    which = np.where((which == 2) & (entry > 0), 0, which)
    before, after = entry + (age - entry) * rng.uniform(0.2, 0.9, n), age * rng.uniform(1.1, 2.0, n)
    return Lives(
        samples=(("air", kind),),
        sample=np.zeros(n, dtype=np.int64),
        entry=entry,
        lower=np.choose(which, [age, before, np.zeros(n), before]),
        upper=np.choose(which, [age, np.full(n, np.inf), after, after]),
        cause=np.arange(n),
    )


@pytest.mark.parametrize("family", list(Family))
def test_a_simplex_and_a_root_of_the_score_find_the_same_maximum(family: Family) -> None:
    """1,000 samples of all kinds, seeds in order: to 1e-10 in both parameters, from a start of its own."""
    fitted = 0
    for seed in range(SAMPLES):
        lives = random_sample(np.random.default_rng(seed), KINDS[seed % len(KINDS)])
        (fit,) = fit_lifetimes(lives, family=family)
        assert (fit.status is FitStatus.FITTED) == (fit.lifetime is not None), seed
        if fit.lifetime is None:
            assert fit.status is not FitStatus.NOT_CONVERGED, seed
            continue
        found = np.exp(highest(family, lives, np.zeros(2)))
        assert (fit.lifetime.scale, fit.lifetime.shape) == pytest.approx(tuple(found), rel=1e-10), seed
        fitted += 1
    assert fitted > 0.9 * SAMPLES


@pytest.mark.parametrize("family", [Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC])
def test_where_a_fit_is_refused_the_likelihood_keeps_rising_towards_the_edge_named(family: Family) -> None:
    """Samples of 1 to 4 lives of all kinds, seeds in order."""
    refused = Counter[FitStatus]()
    for seed in range(SMALL_SAMPLES):
        lives = random_sample(np.random.default_rng(5_000 + seed), KINDS[seed % len(KINDS)], sizes=(1, 5))
        (fit,) = fit_lifetimes(lives, family=family)
        if fit.lifetime is None:
            heights = np.array(towards_the_edge(family, lives, fit.status))
            # without a dated failure likelihoods are chances: certainty, to rounding, is as high as they go
            certain = (heights[1:] > -1e-12) & (lives.lower < lives.upper).all()
            assert ((np.diff(heights) > 0.0) | certain).all(), (seed, fit.status)
            refused[fit.status] += 1
    assert set(refused) >= {
        FitStatus.NO_FAILURES,
        FitStatus.AT_LARGEST_AGE,
        FitStatus.ONE_COMMON_AGE,
        FitStatus.SHAPE_TO_INFINITY,
    }


@pytest.mark.parametrize(
    "lives",
    [
        lives_of_one_sample(entry=[0, 0, 0], lower=[0, 100, 100], upper=[1, np.inf, np.inf]),
        lives_of_one_sample(entry=[5, 5, 5, 5], lower=[5.1, 5.2, 99, 99], upper=[5.1, 5.2, np.inf, np.inf]),
        lives_of_one_sample(entry=[10, 10, 20], lower=[11, 30, 40], upper=[11, np.inf, np.inf]),
    ],
    ids=["failed at once or never", "failed just after entry or never", "failed sooner than the watch allows"],
)
def test_where_the_shape_runs_to_zero_the_likelihood_rises_all_the_way(lives: Lives) -> None:
    """Further down than the climb goes by a factor of 2."""
    (fit,) = fit_lifetimes(lives, family=Family.WEIBULL)
    assert fit.status is FitStatus.SHAPE_TO_ZERO
    assert np.diff(towards_the_edge(Family.WEIBULL, lives, fit.status)).min() > 0.0
