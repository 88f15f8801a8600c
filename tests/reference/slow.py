"""Slow, obvious second implementations, sharing no code with the package; they are what its numbers are held against.

A life is (item, entry, lower, upper): exact where lower equals upper, right-censored where upper is infinite. A cause
is a list of lives one of which ended; all but masked causes are lists of one. Times are in days.
"""

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
SlowLife = tuple[int, float, float, float]

WINDOWS = ((0.0, 30.0), (0.0, 91.0), (0.0, 365.0), (0.0, 730.0), (335.0, 365.0), (640.0, 670.0), (365.0, 730.0))
"""A month, a quarter, a year, two years from now, and months and a year that begin later."""


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a file beside this one."""
    with (Path(__file__).parent / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cumulative_hazard(age: float, scale: float, shape: float) -> float:
    """Weibull cumulative hazard."""
    return math.pow(age / scale, shape)


def log_likelihood(causes: Sequence[Sequence[SlowLife]], lifetimes: Sequence[tuple[float, float]]) -> float:
    """Weibull log-likelihood, cause by cause; lifetimes are (scale, shape) by item."""
    total = 0.0
    for cause in causes:
        hazard = between = 0.0
        for item, entry, lower, upper in cause:
            scale, shape = lifetimes[item]
            total += cumulative_hazard(entry, scale, shape) - cumulative_hazard(lower, scale, shape)
            if lower == upper:
                hazard += shape / scale * math.pow(lower / scale, shape - 1.0)
            elif upper < math.inf:
                between += cumulative_hazard(upper, scale, shape) - cumulative_hazard(lower, scale, shape)
        if hazard > 0.0:
            total += math.log(hazard)
        if between > 0.0:
            total += math.log(-math.expm1(-between))
    return total


def highest(function: Callable[[FloatArray], float], start: Sequence[float]) -> FloatArray:
    """Positive arguments at which a function is highest: a simplex in their logarithms, restarted where it ended."""

    def depth(logs: FloatArray) -> float:
        return -function(np.exp(logs))

    at = [math.log(value) for value in start]
    for _ in range(6):
        at = [float(value) for value in minimize(depth, at, method="Nelder-Mead", tol=1e-11).x]
    return np.asarray(np.exp(at))


def poisson_binomial(chances: FloatArray) -> FloatArray:
    """Distribution of how many of several unlike events happen, one event at a time."""
    pmf = np.ones(1)
    for chance in chances:
        pmf = np.append(pmf * (1.0 - chance), 0.0) + np.append(0.0, pmf * chance)
    return pmf


def convolved(pmfs: Sequence[FloatArray], qty: int = 1) -> FloatArray:
    """Distribution of the sum of independent counts, each counted `qty` times."""
    whole = np.ones(1)
    for pmf in pmfs:
        spread = np.zeros(qty * (len(pmf) - 1) + 1)
        spread[::qty] = pmf
        whole = np.convolve(whole, spread)
    return whole


@dataclass(frozen=True, kw_only=True)
class Item:
    """A maintainable item: Weibull life, renewed at the latest after `interval` days."""

    shape: float
    scale: float
    interval: float = math.inf

    def life(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Lives from new."""
        return np.asarray(self.scale * rng.standard_exponential(size) ** (1.0 / self.shape))

    def rest(self, rng: np.random.Generator, age: FloatArray) -> FloatArray:
        """What is left at these ages; nothing at an infinite one."""
        finite = np.where(np.isinf(age), 0.0, age)
        left = (finite / self.scale) ** self.shape + rng.standard_exponential(len(age))
        return np.where(np.isinf(age), 0.0, self.scale * left ** (1.0 / self.shape) - finite)

    def due(self, age: FloatArray) -> FloatArray:
        """Days until the planned renewal; what has failed isn't planned any more."""
        return np.where(np.isinf(age), np.inf, np.maximum(self.interval - np.where(np.isinf(age), 0.0, age), 0.0))


@dataclass(frozen=True, kw_only=True)
class Counts:
    """Renewals by window and replication, and how many of them were planned."""

    all: IntArray
    planned: IntArray


def _count(
    counts: Counts, windows: Sequence[tuple[float, float]], who: IntArray, day: FloatArray, planned: BoolArray
) -> None:
    """Count renewals on their days."""
    for number, (start, end) in enumerate(windows):
        inside = ((day > start) | (start == 0.0)) & (day <= end)
        counts.all[number, who] += inside
        counts.planned[number, who] += inside & planned


def simulate(
    rng: np.random.Generator,
    *,
    trim: Item,
    packing: Item,
    ages: tuple[FloatArray, FloatArray],
    windows: Sequence[tuple[float, float]] = WINDOWS,
) -> tuple[Counts, Counts]:
    """Renewals of trim and packing, event by event, one replication per pair of starting ages.

    A trim renewal renews the packing too and takes no packing kit; on a tie the trim is first.
    """
    shape, end = (len(windows), len(ages[0])), max(end for _, end in windows)
    counted = [Counts(all=np.zeros(shape, np.int64), planned=np.zeros(shape, np.int64)) for _ in range(2)]
    fails = [item.rest(rng, age) for item, age in zip((trim, packing), ages, strict=True)]
    plans = [item.due(age) for item, age in zip((trim, packing), ages, strict=True)]
    running = np.arange(len(ages[0]))
    while len(running):
        trim_day, packing_day = (np.minimum(fails[k][running], plans[k][running]) for k in range(2))
        # planned days that are sums of the same intervals differ by rounding
        trim_first = trim_day <= packing_day + 1e-9
        day = np.where(trim_first, trim_day, packing_day)
        going = day <= end
        running, day, trim_first = running[going], day[going], trim_first[going]
        for number, now in enumerate((trim_first, ~trim_first)):
            who = running[now]
            _count(counted[number], windows, who, day[now], plans[number][who] <= fails[number][who])
            for renewed, item in ((0, trim), (1, packing))[number:]:
                fails[renewed][who] = day[now] + item.life(rng, len(who))
                plans[renewed][who] = day[now] + item.interval
    return counted[0], counted[1]


def ages_since_installation(rng: np.random.Generator, item: Item, *, in_place: float, size: int) -> FloatArray:
    """Age of items installed new so long ago and renewed ever since."""
    last, running = np.zeros(size), np.arange(size)
    while len(running):
        day = last[running] + np.minimum(item.life(rng, len(running)), item.interval)
        running, day = running[day <= in_place], day[day <= in_place]
        last[running] = day
    return in_place - last


def pair_ages_since_installation(
    rng: np.random.Generator, *, trim: Item, packing: Item, in_place: float, size: int
) -> tuple[FloatArray, FloatArray]:
    """Ages of trim and packing of valves installed new so long ago, the trim's renewals renewing the packing too."""
    trim_age = ages_since_installation(rng, trim, in_place=in_place, size=size)
    last, running = np.zeros(size), np.arange(size)
    while len(running):
        day = last[running] + np.minimum(packing.life(rng, len(running)), packing.interval)
        running, day = running[day <= trim_age[running]], day[day <= trim_age[running]]
        last[running] = day
    return trim_age, trim_age - last
