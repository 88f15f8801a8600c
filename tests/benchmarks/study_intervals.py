"""How often likelihood-ratio intervals hold the truth: seeds 1 to 2,000 in order, none left out.

`make study` prints the table. Weibull lives of scale 1 and shape 1, on which the deviance does not depend. Half
censored: twice as many lives, watched until as many failures as asked for have been seen.
"""

import platform
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.fitting import fit_weibull
from forecasting.intervals import EXCESS, Interval, likelihood_intervals
from forecasting.lives import Lives

FAILURES = (5, 7, 10, 12, 15, 19, 20, 30, 40, 100)
SEEDS = range(1, 2_001)
LEVEL = 0.9


@dataclass(frozen=True, kw_only=True)
class Design:
    """One way to sample."""

    failures: int
    censored: bool

    @property
    def words(self) -> str:
        """Name it in the table."""
        return "half censored" if self.censored else "complete"


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """Share of intervals that held the truth; a sample without an interval counts as missed."""

    scale: float
    shape: float


def drawn(design: Design, *, seeds: Sequence[int]) -> Lives:
    """One sample a seed."""
    each = design.failures * (2 if design.censored else 1)
    ages = np.sort([np.random.default_rng(seed).weibull(1.0, each) for seed in seeds], axis=1)
    last = ages[:, design.failures - 1 : design.failures]
    failed = ages <= last
    count = ages.size
    return Lives(
        samples=tuple((str(seed), "item") for seed in seeds),
        sample=np.repeat(np.arange(len(seeds)), each),
        entry=np.zeros(count),
        lower=np.minimum(ages, last).ravel(),
        upper=np.where(failed, ages, np.inf).ravel(),
        cause=np.arange(count),
    )


def _held(intervals: Iterable[Interval | None]) -> float:
    """Share of intervals around 1."""
    return float(
        np.mean([
            one is not None
            and (one.lower is None or one.lower <= 1.0)
            and (one.upper is None or one.upper >= 1.0)
            and one.estimate is not None
            for one in intervals
        ])
    )


def coverage(design: Design, *, seeds: Sequence[int], excess: float = EXCESS) -> Coverage:
    """Fit all samples in one batch and count."""
    lives = drawn(design, seeds=seeds)
    found = likelihood_intervals(lives, fit_weibull(lives), level=LEVEL, excess=excess)
    return Coverage(
        scale=_held(None if one is None else one.scale for one in found),
        shape=_held(None if one is None else one.shape for one in found),
    )


def main() -> None:
    """Print the table."""
    began = time.perf_counter()
    print(f"Coverage of {LEVEL:.0%} intervals in per cent, seeds {SEEDS[0]} to {SEEDS[-1]}")
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}\n")
    print("| failures | sample | plain: scale | shape | corrected: scale | shape |\n|---|---|---|---|---|---|")
    for failures in FAILURES:
        for censored in (False, True):
            design = Design(failures=failures, censored=censored)
            plain, corrected = (coverage(design, seeds=SEEDS, excess=excess) for excess in (0.0, EXCESS))
            cells = (plain.scale, plain.shape, corrected.scale, corrected.shape)
            told = " | ".join(f"{100.0 * cell:.1f}" for cell in cells)
            print(f"| {failures} | {design.words} | {told} |", flush=True)
    print(f"\n{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
