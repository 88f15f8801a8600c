"""Samples on which fitting programs go wrong: hardly a failure, no maximum, extreme units, a short watch."""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

INF = float("inf")
Ages = NDArray[np.float64]
Columns = Mapping[str, Ages]
"""entry, lower, upper."""


def _columns(lower: ArrayLike, upper: ArrayLike, entry: ArrayLike = 0.0) -> Columns:
    low = np.asarray(lower, dtype=np.float64)
    return {
        "entry": np.broadcast_to(np.asarray(entry, dtype=np.float64), low.shape),
        "lower": low,
        "upper": np.broadcast_to(np.asarray(upper, dtype=np.float64), low.shape),
    }


def _drawn(seed: int, *, scale: float, shape: float, censored: float, count: int = 80) -> Columns:
    """Weibull ages to six digits, so many of them censored on one day."""
    rng = np.random.default_rng(seed)
    ages = scale * rng.weibull(shape, count)
    end = scale * (-np.log(censored)) ** (1.0 / shape)
    ages = np.array([float(f"{age:.6g}") for age in np.minimum(ages, float(f"{end:.6g}"))])
    return _columns(ages, np.where(ages < float(f"{end:.6g}"), ages, INF))


def _window(seed: int, count: int) -> Columns:
    """Ages 0 to 2.5 scales at start, watched for a quarter of a scale: scale 4, shape 1.2."""
    rng = np.random.default_rng(seed)
    entry = rng.uniform(0.0, 10.0, count).round(3)
    age = 4.0 * ((entry / 4.0) ** 1.2 + rng.exponential(size=count)) ** (1.0 / 1.2)
    age = np.maximum(age.round(3), entry + 0.001)
    end = (entry + 1.0).round(3)
    return _columns(np.minimum(age, end), np.where(age <= end, age, INF), entry)


def edge_cases() -> Iterator[tuple[str, Columns]]:
    """Name and lives of each case, the same wherever it is computed."""
    survivors = [5.0] * 10 + [12.0] * 9
    ten = np.array([2.0, 3.5, 5.0, 6.0, 7.5, 8.0, 9.0, 11.0, 12.5, 15.0])
    yield "one failure of 20, amid longer lives", _columns([10.0, *survivors], [10.0] + [INF] * 19)
    yield "one failure of 20, the largest age", _columns([13.0, *survivors], [13.0] + [INF] * 19)
    yield "no failure of 20", _columns([13.0, *survivors], INF)
    yield "all ten failures on one day", _columns([7.0] * 10, [7.0] * 10)
    yield "a failure at age 0", _columns([0.0, *ten], [0.0, *ten])
    yield "a life censored on the day it entered", _columns([*ten, 4.0], [*ten, INF], [0.0] * 10 + [4.0])
    yield "ages of millionths", _drawn(9_001, scale=4e-6, shape=1.7, censored=0.3)
    yield "ages in seconds", _drawn(9_002, scale=1.2e8, shape=1.7, censored=0.3)
    yield "shape 0.3", _drawn(9_003, scale=1000.0, shape=0.3, censored=0.3)
    yield "shape 15", _drawn(9_004, scale=1000.0, shape=15.0, censored=0.3)
    yield "95 % censored", _drawn(9_005, scale=1000.0, shape=1.7, censored=0.95, count=200)
    yield "60 lives through a short window", _window(9_006, 60)
    yield "15 lives through a short window", _window(9_007, 15)
