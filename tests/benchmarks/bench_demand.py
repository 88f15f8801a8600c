"""Demand of very many valves of one class: seconds and error beside a Monte Carlo of the same plant, vectorised.

`make bench` prints what was measured and the goals: 2,000 times faster than 10,000 replications, and at most 50 ns for
each valve more. Weibull of shape 2.2 and scale four years, ages in whole days up to 6.5 years, demand up to 1, 3, 6, 12
and 24 months. The Monte Carlo plays some replications and is scaled to 10,000.
"""

import time

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.consumption import ItemPlan
from forecasting.lifetimes import Weibull
from forecasting.populations import population_demand

SEAT = Weibull(scale=1461.0, shape=2.2)
HORIZONS = (30.0, 91.0, 182.0, 365.0, 730.0)
OLDEST, VALVES, MORE = 2374, 100_000, 1_000_000
PLAYED, REPLICATIONS, TRIES = 40, 10_000, 5
TIMES_FASTER, NANOSECONDS = 2000.0, 50.0


PLAN = ItemPlan(item="seat", lifetime=SEAT, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))


def _exact(days: IntArray) -> tuple[list[FloatArray], float]:
    """Distribution at each horizon, and the processor seconds it took, the least of some."""
    windows, seconds = [(0.0, end) for end in HORIZONS], []
    for _ in range(TRIES):
        begun = time.process_time()
        found = population_demand(PLAN, days, windows)
        seconds.append(time.process_time() - begun)
    return [found[window].probabilities for window in windows], min(seconds)


def _played(rng: np.random.Generator, ages: FloatArray) -> list[int]:
    """Play every valve once, all in one array; kits up to each horizon."""
    spent = (ages / SEAT.scale) ** SEAT.shape
    left = SEAT.scale * (spent + rng.exponential(size=len(ages))) ** (1.0 / SEAT.shape) - ages
    came = np.zeros(len(HORIZONS), dtype=np.int64)
    while len(left := left[left <= HORIZONS[-1]]):
        came += [int(np.count_nonzero(left <= end)) for end in HORIZONS]
        left = left + SEAT.scale * rng.weibull(SEAT.shape, len(left))
    return came.tolist()


def _simulated(ages: FloatArray) -> tuple[list[float], float]:
    """Mean kits up to each horizon over what was played, and the seconds that 10,000 replications take."""
    rng, begun = np.random.default_rng(1), time.process_time()
    played = np.array([_played(rng, ages) for _ in range(PLAYED)])
    seconds = (time.process_time() - begun) * REPLICATIONS / PLAYED
    return played.mean(axis=0).tolist(), seconds


def main() -> None:
    """Print what was measured."""
    days = np.random.default_rng(0).integers(0, OLDEST, MORE)
    found, seconds = _exact(days[:VALVES])
    means, simulated = _simulated(days[:VALVES].astype(np.float64))
    expected = [float(pmf @ np.arange(len(pmf))) for pmf in found]
    away = max(abs(mean - mine) / mine for mean, mine in zip(means, expected, strict=True))
    longer = _exact(days)[1]
    print(f"{VALVES} valves, five horizons: {seconds:.2f} s; {REPLICATIONS} replications {simulated:.0f} s")
    print(f"times faster: {simulated / seconds:.0f} (goal {TIMES_FASTER:.0f})")
    print(f"largest distance of means over {PLAYED} replications: {100 * away:.3f} %")
    nanoseconds = 1e9 * (longer - seconds) / (MORE - VALVES)
    print(f"{MORE} valves: {longer:.2f} s, {nanoseconds:.0f} ns for each valve more (goal {NANOSECONDS:.0f})")


if __name__ == "__main__":
    main()
