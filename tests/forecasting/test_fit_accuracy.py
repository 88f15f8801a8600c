"""Maxima against an independent optimiser, on random samples of every kind of censoring and every family."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize, root
from scipy.special import log_ndtr

from forecasting.families import Family
from forecasting.fitting import FitStatus, fit_lifetimes
from forecasting.lives import Lives

Vector = NDArray[Any]
SAMPLES = 250
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


def random_sample(rng: np.random.Generator, kind: str) -> Lives:
    """From 3 to 60 lives of shape 0.4 to 6 and scale 1, some of them censored as the kind says."""
    n, shape = int(rng.integers(3, 61)), float(np.exp(rng.uniform(np.log(0.4), np.log(6.0))))
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
