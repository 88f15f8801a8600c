"""Kits of a whole population against a simulation of every valve, event by event."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forecasting.clocks import ItemAge
from forecasting.consumption import ItemPlan
from forecasting.demand import kit_demand
from tests.forecasting.valve_plans import plan, stands, take
from tests.reference import slow

INF = math.inf
YEARS = ((0.0, 365.0), (365.0, 730.0))
VALVES, FUTURES = 200, 8000
PLANNED = {
    "packing": slow.Item(shape=1.3, scale=1600.0, interval=730.0),
    "trim": slow.Item(shape=2.4, scale=2600.0, interval=1460.0),
    "actuator": slow.Item(shape=1.8, scale=2200.0),
}
"""Trim and packing predetermined, coming due together every four years."""
RUN_TO_FAILURE = {
    "packing": slow.Item(shape=1.3, scale=1200.0),
    "trim": slow.Item(shape=2.4, scale=1900.0),
    "actuator": slow.Item(shape=0.8, scale=1500.0, interval=1000.0),
}
"""Trim and packing corrective, the actuator predetermined though it fails early."""
Plant = dict[str, slow.Item]
NEVER = slow.Item(shape=1.0, scale=1e12)
IN_PLACE, QUIET = (2500, 4100, 7300), 500


def plans(plant: Plant) -> tuple[ItemPlan, ...]:
    """Its plans; an actuator kit is needed twice."""
    return tuple(
        plan(item, *renews, shape=one.shape, scale=one.scale, interval=one.interval, qty=qty)
        for (item, one), renews, qty in zip(plant.items(), ((), ("packing",), ()), (1, 1, 2), strict=True)
    )


def records(rng: np.random.Generator) -> list[tuple[ItemAge, ...]]:
    """Where the valves stand: a quarter unknown, some waiting or overdue, no packing older than its trim."""
    valves = []
    for number in range(VALVES):
        trim, actuator = (int(rng.integers(0, 1500)) for _ in range(2))
        ages = {"packing": min(trim, int(rng.integers(0, 760))), "trim": trim, "actuator": actuator}
        place = IN_PLACE[number % len(IN_PLACE)]
        known = tuple(stands(item, age=age, in_place=place) for item, age in ages.items())
        if number % 4 == 0:
            known = tuple(stands(item, age=None, survived=QUIET, in_place=place) for item in ages)
        elif number % 40 == 1:
            known = (*known[:2], replace(known[2], awaits_renewal=True))
        elif number % 40 == 2:
            known = (replace(known[0], awaits_renewal=True), *known[1:])
        valves.append(known)
    return valves


def quiet_ages(
    rng: np.random.Generator, plant: Plant, *, in_place: int
) -> tuple[slow.FloatArray, slow.FloatArray, slow.FloatArray]:
    """Ages of packing, trim and actuator of simulated valves on which nothing was renewed since the records begin."""
    trim, packing = slow.pair_ages_since_installation(
        rng, trim=plant["trim"], packing=plant["packing"], in_place=in_place, size=200_000
    )
    actuator = slow.ages_since_installation(rng, plant["actuator"], in_place=in_place, size=200_000)
    quiet = (trim >= QUIET) & (packing >= QUIET)
    return packing[quiet], trim[quiet], actuator[actuator >= QUIET]


def futures(rng: np.random.Generator, plant: Plant, valves: list[tuple[ItemAge, ...]]) -> dict[str, slow.IntArray]:
    """Kits of all valves by year and future, simulated event by event."""
    pools = {place: quiet_ages(rng, plant, in_place=place) for place in IN_PLACE}
    totals = {f"{item} kit": np.zeros((len(YEARS), FUTURES), dtype=np.int64) for item in plant}
    for number, (packing, trim, actuator) in enumerate(valves):
        pool, pick = pools[IN_PLACE[number % len(IN_PLACE)]], rng.random(FUTURES)
        ages = [
            np.full(FUTURES, INF)
            if one.awaits_renewal
            else np.full(FUTURES, float(one.age))
            if one.age is not None
            else drawn[(pick * len(drawn)).astype(np.int64)]
            for one, drawn in zip((packing, trim, actuator), pool, strict=True)
        ]
        trims, packings = slow.simulate(
            rng, trim=plant["trim"], packing=plant["packing"], ages=(ages[1], ages[0]), windows=YEARS
        )
        actuators, _ = slow.simulate(
            rng, trim=plant["actuator"], packing=NEVER, ages=(ages[2], np.zeros(FUTURES)), windows=YEARS
        )
        totals["packing kit"] += packings.all
        totals["trim kit"] += trims.all
        totals["actuator kit"] += 2 * actuators.all
    return totals


def distance(first: slow.FloatArray, second: slow.FloatArray) -> float:
    """Total variation between two distributions of a count."""
    size = max(len(first), len(second))
    padded = [np.pad(one, (0, size - len(one))) for one in (first, second)]
    return float(0.5 * np.abs(padded[0] - padded[1]).sum())


def shares(counts: slow.IntArray) -> slow.FloatArray:
    """How often each count was seen."""
    return np.bincount(counts) / len(counts)


@pytest.mark.slow
@pytest.mark.parametrize("plant", [PLANNED, RUN_TO_FAILURE], ids=["planned", "run to failure"])
def test_yearly_kits_of_a_population_agree_with_a_simulation(plant: Plant) -> None:
    """200 valves, three items, known, unknown, waiting and overdue; 8000 futures of two years.

    Means within 0.5 %; total variation at most 0.02 beside what two independent halves of the simulation show.
    """
    rng = np.random.default_rng(2024)
    valves = records(rng)
    taken = take(plans(plant), *valves, windows=YEARS)
    seen = futures(rng, plant, valves)
    everywhere = frozenset(f"V{number}" for number in range(VALVES))
    for kit, by_year in seen.items():
        for year, totals in zip(YEARS, by_year, strict=True):
            found = kit_demand([taken[kit]], year, valves=everywhere)
            floor = distance(shares(totals[: FUTURES // 2]), shares(totals[FUTURES // 2 :]))
            assert found.mean == pytest.approx(totals.mean(), rel=0.005)
            assert distance(found.probabilities, shares(totals)) < 0.02 + floor
