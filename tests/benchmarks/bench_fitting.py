"""How long the fit takes, counted in passes of one logarithm and one exponential over the same lives.

`make bench` prints the table. Ratios within one process hold from machine to machine where seconds don't.
"""

import platform
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.fitting import fit_weibull
from forecasting.lives import Lives

CLASSES, LIVES_EACH, MILLION = 1_000, 100, 1_000_000
SCALE, SHAPE, SEED = 1_500.0, 2.2, 20_260
ROUNDS = 20


@dataclass(frozen=True, kw_only=True)
class Case:
    """One sample set, and the most passes its fit may take."""

    name: str
    lives: Lives
    allowed: float | None


def right_censored(classes: int, each: int) -> Lives:
    """Lives watched from new, about 30 % of them still running; scales differ by class."""
    rng = np.random.default_rng(SEED)
    scale = np.repeat(SCALE * rng.lognormal(0.0, 0.4, classes), each)
    age = scale * rng.weibull(SHAPE, classes * each)
    end = scale * rng.uniform(0.4, 2.0, classes * each)
    return _lives(classes, each, np.zeros(len(age)), np.minimum(age, end), np.where(age <= end, age, np.inf))


def entered_late(classes: int, each: int) -> Lives:
    """Lives of which about half were old when watching began."""
    rng = np.random.default_rng(SEED + 1)
    scale = np.repeat(SCALE * rng.lognormal(0.0, 0.4, classes), each)
    entry = np.where(rng.random(len(scale)) < 0.5, 0.0, scale * rng.uniform(0.0, 1.2, len(scale)))
    # conditional on being alive at entry: H(age) = H(entry) + Exp(1)
    age = np.maximum(entry, scale * ((entry / scale) ** SHAPE + rng.exponential(size=len(scale))) ** (1.0 / SHAPE))
    end = entry + scale * rng.uniform(0.4, 2.0, len(scale))
    return _lives(classes, each, entry, np.minimum(age, end), np.where(age <= end, age, np.inf))


def inspected(classes: int, each: int) -> Lives:
    """Lives found ended at a yearly inspection."""
    rng = np.random.default_rng(SEED + 2)
    scale = np.repeat(SCALE * rng.lognormal(0.0, 0.4, classes), each)
    age = scale * rng.weibull(SHAPE, classes * each)
    end = 365.0 * np.ceil(scale * rng.uniform(0.4, 2.0, len(scale)) / 365.0)
    before = 365.0 * np.floor(age / 365.0)
    lower, upper = np.where(age <= end, before, end), np.where(age <= end, before + 365.0, np.inf)
    return _lives(classes, each, np.zeros(len(age)), lower, upper)


def _lives(classes: int, each: int, entry: FloatArray, lower: FloatArray, upper: FloatArray) -> Lives:
    return Lives(
        samples=tuple((f"class {number:04}", "trim") for number in range(classes)),
        sample=np.repeat(np.arange(classes), each),
        entry=entry,
        lower=lower,
        upper=upper,
        cause=np.arange(len(entry)),
    )


def seconds(work: Callable[[], object]) -> float:
    """Shortest processor time of some rounds, the first one, which imports and fills caches, left out."""
    work()
    taken = []
    for _ in range(ROUNDS):
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
    return min(taken)


def seconds_to_fit(lives: Lives) -> float:
    """Shortest processor time of a fit; lives made anew each round, so that nothing kept from the last one helps."""
    taken = []
    for _ in range(ROUNDS):
        fresh = replace(lives)
        begin = time.process_time()
        fit_weibull(fresh)
        taken.append(time.process_time() - begin)
    return min(taken[1:])


def one_pass(lives: Lives) -> float:
    """Time one logarithm, one exponential and one sum by class over the lives."""
    first = np.searchsorted(lives.sample, np.arange(len(lives.samples)))
    age = np.maximum(lives.lower, 1.0)
    return seconds(lambda: np.add.reduceat(np.exp(SHAPE * (np.log(age) - np.log(SCALE))), first))


def cases() -> list[Case]:
    """Give the cases of the table."""
    many = f"{CLASSES:,} classes of {LIVES_EACH} lives"
    return [
        Case(name=f"{many}, right-censored", lives=right_censored(CLASSES, LIVES_EACH), allowed=25.0),
        Case(name=f"{many}, half entered late", lives=entered_late(CLASSES, LIVES_EACH), allowed=35.0),
        Case(name=f"{many}, yearly inspections", lives=inspected(CLASSES, LIVES_EACH), allowed=None),
        Case(name=f"one class of {MILLION:,}, right-censored", lives=right_censored(1, MILLION), allowed=15.0),
        Case(name=f"one class of {MILLION:,}, half entered late", lives=entered_late(1, MILLION), allowed=None),
        Case(name="one class of 100, right-censored", lives=right_censored(1, 100), allowed=None),
    ]


def main() -> None:
    """Print the table."""
    print(f"Fits, Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
    print(f"{'sample':<58} {'pass ms':>9} {'fit ms':>10} {'passes':>9} {'goal':>6}")
    for case in cases():
        floor, taken = one_pass(case.lives), seconds_to_fit(case.lives)
        goal = "" if case.allowed is None else f"{case.allowed:.0f}"
        print(f"{case.name:<58} {1e3 * floor:>9.3f} {1e3 * taken:>10.2f} {taken / floor:>9.1f} {goal:>6}")


if __name__ == "__main__":
    main()
