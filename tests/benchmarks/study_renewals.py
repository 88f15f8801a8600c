"""Kits of a small plant against a million futures told event by event: means, and total variation of yearly demand.

The simulation shares no code with the package. Its floor is what two halves of it differ by from each other.
"""

import math
import sys
from dataclasses import dataclass

import numpy as np

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, kits_taken
from forecasting.demand import kit_demand
from tests.forecasting.turnaround_plants import ITEMS, FloatArray, IntArray, Policy, play
from tests.forecasting.valve_plans import policy_plans, stands
from tests.reference import slow

STOPS = (210.0, 575.0)
YEARS = ((0.0, 365.0), (365.0, 730.0))
IN_PLACE, QUIET = 4100, 400
GASKET = Policy(shape=1.0, scale=1e9)
CLASSES = {
    "corrective": (
        Policy(shape=2.4, scale=1900.0),
        Policy(shape=1.3, scale=1200.0),
        Policy(shape=0.8, scale=1500.0),
        GASKET,
    ),
    "predetermined": (
        Policy(shape=2.2, scale=2400.0, interval=1400.0),
        Policy(shape=1.4, scale=1600.0, interval=640.0),
        Policy(shape=1.8, scale=2200.0, interval=1500.0),
        GASKET,
    ),
    "opportunistic": (
        Policy(shape=2.4, scale=1700.0, opportunity=800.0),
        Policy(shape=1.3, scale=1100.0, opportunity=360.0),
        Policy(shape=1.8, scale=2200.0),
        GASKET,
    ),
}
"""Trim, packing, actuator and gasket, by policy of trim and packing."""
KNOWN = ((900, 200, 700), (120, 120, 1300), (1350, 610, 90), (400, 330, 520))
"""Ages of trim, packing and actuator; the third valve is removed in the second year, one more has unknown ages."""
REMOVED = 600.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """One kit in one year: expected and simulated mean, distance, and that of the two halves."""

    kit: str
    year: int
    expected: float
    simulated: float
    error: float
    distance: float
    floor: float


def _unknown(rng: np.random.Generator, policies: tuple[Policy, ...], size: int) -> FloatArray:
    """Ages of valves in place so long and quiet since the records begin, shape (items, size)."""
    trim, packing, actuator, _ = (
        slow.Item(shape=one.shape, scale=one.scale, interval=one.interval) for one in policies
    )
    trims, packings = slow.pair_ages_since_installation(
        rng, trim=trim, packing=packing, in_place=float(IN_PLACE), size=4 * size
    )
    others = slow.ages_since_installation(rng, actuator, in_place=float(IN_PLACE), size=4 * size)
    quiet = (trims >= QUIET) & (packings >= QUIET)
    picks = [rng.integers(0, int(ok.sum()), size) for ok in (quiet, others >= QUIET)]
    return np.array([
        trims[quiet][picks[0]],
        packings[quiet][picks[0]],
        others[others >= QUIET][picks[1]],
        np.full(size, float(QUIET)),
    ])


def _valves() -> list[tuple[tuple[int, ...] | None, float]]:
    """Known ages, or None, and the end of service of each valve of a class."""
    known = [(ages, REMOVED if number == 2 else math.inf) for number, ages in enumerate(KNOWN)]
    return [*known, (None, math.inf)]


def simulated(rng: np.random.Generator, futures: int) -> IntArray:
    """Kits of the whole plant by item, year and future."""
    total = np.zeros((len(ITEMS), len(YEARS), futures), dtype=np.int64)
    for policies in CLASSES.values():
        for known, ends in _valves():
            ages = (
                _unknown(rng, policies, futures)
                if known is None
                else np.array([[float(age)] * futures for age in (*known, QUIET)])
            )
            total += play(rng, policies, ages, turnarounds=STOPS, windows=YEARS, ends=ends).sum(axis=0)
    return total


def _groups() -> list[Group]:
    """The same plant as the package wants it."""
    groups = []
    for name, policies in CLASSES.items():
        for number, (known, ends) in enumerate(_valves()):
            ages: dict[str, ItemAge] = {
                item: stands(item, age=None, survived=QUIET, in_place=IN_PLACE)
                if known is None and item != "gasket"
                else stands(item, age=(*(known or ()), QUIET)[-1 if item == "gasket" else ITEMS.index(item)])
                for item in ITEMS
            }
            groups.append(
                Group(
                    plans=policy_plans(policies),
                    valves=(f"{name} {number}",),
                    ages=(ages,),
                    turnarounds=STOPS,
                    ends=ends,
                )
            )
    return groups


def _distance(first: FloatArray, second: FloatArray) -> float:
    """Total variation between two distributions of a count."""
    size = max(len(first), len(second))
    padded = [np.pad(one, (0, size - len(one))) for one in (first, second)]
    return float(0.5 * np.abs(padded[0] - padded[1]).sum())


def study(futures: int, *, seed: int) -> list[Line]:
    """Compare every kit in both years."""
    seen = simulated(np.random.default_rng(seed), futures)
    groups = _groups()
    everyone = frozenset(valve for group in groups for valve in group.valves)
    taken = [one for group in groups for one in kits_taken(group, YEARS)]
    lines = []
    for item, by_year in zip(ITEMS, seen, strict=True):
        for year, totals in enumerate(by_year):
            made = kit_demand([one for one in taken if one.kit == item], YEARS[year], valves=everyone)
            halves = [np.bincount(part) / len(part) for part in np.array_split(totals, 2)]
            lines.append(
                Line(
                    kit=item,
                    year=year + 1,
                    expected=made.mean,
                    simulated=float(totals.mean()),
                    error=float(totals.std() / math.sqrt(futures)),
                    distance=_distance(made.probabilities, np.bincount(totals) / futures),
                    floor=_distance(*halves),
                )
            )
    return lines


def main(futures: int) -> int:
    """Print the table; 1 if a mean is off by more than 0.5 % or a distance above 0.01."""
    lines = study(futures, seed=0)
    print(f"{futures} futures of {5 * len(CLASSES)} valves; seed 0")
    print("kit       year  expected  simulated  off %   standard error %  total variation  of two halves")
    for one in lines:
        off, error = 100.0 * (one.expected / one.simulated - 1.0), 100.0 * one.error / one.simulated
        print(
            f"{one.kit:9s} {one.year:4d}  {one.expected:8.4f}  {one.simulated:9.4f}  {off:+.3f}  {error:16.3f}"
            f"  {one.distance:15.4f}  {one.floor:13.4f}"
        )
    missed = [one for one in lines if abs(one.expected / one.simulated - 1.0) > 0.005 or one.distance > 0.01]
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
