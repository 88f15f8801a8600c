"""Valves with trim, packing, actuator and gasket, told event by event; shares no code with the package.

The trim's kit renews the packing. The gasket is renewed whenever the valve is opened for anything.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
INF = math.inf
ITEMS = ("trim", "packing", "actuator", "gasket")
TRIM, PACKING, ACTUATOR, GASKET = range(4)
UNPLANNED, PLANNED, TURNAROUND = range(3)


@dataclass(frozen=True, kw_only=True)
class Policy:
    """Weibull life; renewed at the latest after `interval` days, at turnarounds if at least `opportunity` days old."""

    shape: float
    scale: float
    interval: float = INF
    opportunity: float = INF

    def rest(self, rng: np.random.Generator, age: FloatArray) -> FloatArray:
        """Days left at these ages."""
        left = (age / self.scale) ** self.shape + rng.standard_exponential(len(age))
        return np.asarray(self.scale * left ** (1.0 / self.shape) - age)


@dataclass(kw_only=True)
class Futures:
    """Futures of one valve, one per column; items in rows."""

    rng: np.random.Generator
    policies: tuple[Policy, ...]
    windows: tuple[tuple[float, float], ...]
    born: FloatArray
    fails: FloatArray
    kits: IntArray  # kind, item, window, future

    def note(self, kind: IntArray, item: int, who: IntArray, day: FloatArray) -> None:
        """Count kits taken on these days."""
        for number, (start, end) in enumerate(self.windows):
            self.kits[kind, item, number, who] += ((day > start) | (start == 0.0)) & (day <= end)

    def renew(self, item: int, who: IntArray, day: FloatArray) -> None:
        """Make an item new."""
        self.born[item, who] = day
        self.fails[item, who] = day + self.policies[item].rest(self.rng, np.zeros(len(who)))

    def visit(self, who: IntArray, day: FloatArray, stopped: NDArray[np.bool_]) -> None:
        """Renew all that is due on these days: trim before packing, the gasket with either."""
        age = day - self.born[:, who]
        due = age >= np.array([policy.interval for policy in self.policies])[:, None] - 1e-9
        old = age >= np.array([policy.opportunity for policy in self.policies])[:, None] - 1e-9
        failed = self.fails[:, who] <= day
        ready = failed | due | (old & stopped)
        kind = np.where(failed, UNPLANNED, np.where(stopped, TURNAROUND, PLANNED))
        takes = ready.copy()
        takes[PACKING] &= ~ready[TRIM]
        opener = np.where(takes[TRIM], kind[TRIM], np.where(takes[PACKING], kind[PACKING], kind[ACTUATOR]))
        kind[GASKET] = np.where(takes[:GASKET].any(axis=0), opener, kind[GASKET])
        takes[GASKET] |= takes[:GASKET].any(axis=0)
        ready[PACKING] |= ready[TRIM]
        for item in range(len(self.policies)):
            self.note(kind[item, takes[item]], item, who[takes[item]], day[takes[item]])
            fresh = takes[item] | ready[item]
            self.renew(item, who[fresh], day[fresh])


def play(
    rng: np.random.Generator,
    policies: tuple[Policy, ...],
    ages: FloatArray,
    *,
    turnarounds: tuple[float, ...],
    windows: tuple[tuple[float, float], ...],
    ends: float = INF,
) -> IntArray:
    """Kits by kind, item, window and future of one valve whose items have these ages, until it is removed."""
    last = min(ends, max(end for _, end in windows))
    fails = np.array([policy.rest(rng, age) for policy, age in zip(policies, ages, strict=True)])
    kits = np.zeros((3, len(policies), len(windows), ages.shape[1]), dtype=np.int64)
    futures = Futures(rng=rng, policies=policies, windows=windows, born=-ages, fails=fails, kits=kits)
    intervals = np.array([policy.interval for policy in policies])[:, None]
    stops, passed = np.array([*turnarounds, INF]), np.zeros(ages.shape[1], dtype=np.int64)
    who = np.arange(ages.shape[1])
    while len(who):
        planned = np.maximum(futures.born[:, who] + intervals, 0.0)
        day = np.minimum(futures.fails[:, who], planned).min(axis=0)
        stop = stops[passed[who]]
        stopped = stop <= day + 1e-9
        day = np.where(stopped, stop, day)
        going = day <= last
        who, day, stopped = who[going], day[going], stopped[going]
        passed[who] += stopped
        futures.visit(who, day, stopped)
    return futures.kits
