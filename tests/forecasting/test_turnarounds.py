"""Kits at turnarounds and between them against futures told event by event, by another hand."""

import math

import numpy as np
import pytest

from forecasting.consumption import Group, TakeUp, kits_taken
from forecasting.demand import kit_demand, running_demand
from tests.benchmarks.study_renewals import study
from tests.forecasting.turnaround_plants import ITEMS, TURNAROUND, IntArray, Policy, play
from tests.forecasting.valve_plans import policy_plans, stands

INF = math.inf
STOPS = (150.0, 520.0)
WINDOWS = ((0.0, 150.0), (0.0, 149.0), (149.0, 150.0), (0.0, 365.0), (365.0, 730.0), (0.0, 730.0))
"""Until, before and in a turnaround; a year with each; both."""
FUTURES = 100_000
AGES = {"trim": 700, "packing": 300, "actuator": 900, "gasket": 250}
GASKET = Policy(shape=1.0, scale=1e9)

PLANTS: dict[str, tuple[Policy, Policy, Policy]] = {
    "all opportunistic": (
        Policy(shape=2.4, scale=1400.0, opportunity=800.0),
        Policy(shape=1.3, scale=900.0, opportunity=400.0),
        Policy(shape=1.8, scale=1600.0, opportunity=5000.0),
    ),
    "trim opportunistic, packing predetermined": (
        Policy(shape=2.4, scale=1400.0, opportunity=850.0),
        Policy(shape=1.3, scale=900.0, interval=365.0),
        Policy(shape=0.8, scale=1500.0, interval=1000.0),
    ),
    "trim predetermined, packing opportunistic": (
        Policy(shape=2.4, scale=1400.0, interval=1100.0),
        Policy(shape=1.3, scale=900.0, opportunity=370.0),
        Policy(shape=1.8, scale=1600.0),
    ),
    "trim corrective, packing opportunistic": (
        Policy(shape=2.4, scale=1400.0),
        Policy(shape=1.3, scale=900.0, opportunity=150.0),
        Policy(shape=1.8, scale=1600.0, interval=1040.0),
    ),
}


def taken(
    policies: tuple[Policy, ...], *, ends: float = INF, begins: float = 0.0, ages: dict[str, int] = AGES
) -> dict[str, TakeUp]:
    """What one valve takes, by kit."""
    group = Group(
        plans=policy_plans(policies),
        valves=("V",),
        ages=({item: stands(item, age=age) for item, age in ages.items()},),
        turnarounds=STOPS,
        begins=begins,
        ends=ends,
    )
    return {one.kit: one for one in kits_taken(group, WINDOWS, running=WINDOWS)}


def compare(pmf: np.ndarray[tuple[int, ...], np.dtype[np.float64]], seen: IntArray) -> None:
    """Hold each count that is expected at least 25 times, and the mean, against a simulation."""
    assert pmf.sum() == pytest.approx(1.0, abs=1e-9)
    found = np.bincount(seen, minlength=len(pmf)) / len(seen)
    often = pmf * len(seen) >= 25.0
    spread = np.sqrt(pmf * (1.0 - pmf) / len(seen)) + 1e-4
    assert (np.abs(found[: len(pmf)] - pmf) / spread)[often].max() < 4.5
    mean = float(pmf @ np.arange(len(pmf)))
    assert abs(seen.mean() - mean) < 0.002 * mean + 4.0 * seen.std() / math.sqrt(len(seen)) + 1e-4


def hold(found: dict[str, TakeUp], kits: IntArray, items: tuple[str, ...]) -> None:
    """Compare counts with and without turnarounds, and each kind's mean, in every window."""
    for item in items:
        one, seen = found[item], kits[:, ITEMS.index(item)]
        for number, window in enumerate(WINDOWS):
            compare(one.probabilities[window][0], seen[:, number].sum(axis=0))
            compare(one.running[window][0], seen[:TURNAROUND, number].sum(axis=0))
            means = np.array([kind[window][0] for kind in (one.unplanned, one.planned, one.turnaround)])
            error = seen[:, number].std(axis=1) / math.sqrt(seen.shape[-1])
            assert (np.abs(means - seen[:, number].mean(axis=1)) < 4.5 * error + 2e-3 * means.sum() + 1e-4).all()


@pytest.mark.parametrize("number", range(len(PLANTS)), ids=list(PLANTS))
def test_kits_agree_with_a_simulation(number: int) -> None:
    """Trim, packing, actuator, and the gasket all of them take; by window and kind, with and without turnarounds."""
    policies = (*list(PLANTS.values())[number], GASKET)
    ages = np.array([[float(AGES[item])] * FUTURES for item in ITEMS])
    kits = play(np.random.default_rng(300 + number), policies, ages, turnarounds=STOPS, windows=WINDOWS)
    hold(taken(policies), kits, ITEMS)


def test_a_valve_to_be_removed_takes_nothing_from_then_on() -> None:
    """Removed between two turnarounds."""
    policies = (*PLANTS["all opportunistic"], GASKET)
    ages = np.array([[float(AGES[item])] * FUTURES for item in ITEMS])
    kits = play(np.random.default_rng(310), policies, ages, turnarounds=STOPS, windows=WINDOWS, ends=400.0)
    hold(taken(policies, ends=400.0), kits, ITEMS)


def test_a_valve_to_be_installed_is_new_on_that_day() -> None:
    """A hundred days from now: the windows and turnarounds are nearer to it by so much."""
    policies, new = (*PLANTS["all opportunistic"], GASKET), dict.fromkeys(ITEMS, 0)
    ahead = tuple((max(start - 100.0, 0.0), end - 100.0) for start, end in WINDOWS)
    stops = tuple(stop - 100.0 for stop in STOPS)
    kits = play(np.random.default_rng(311), policies, np.zeros((4, FUTURES)), turnarounds=stops, windows=ahead)
    hold(taken(policies, begins=100.0, ages=new), kits, ITEMS)


def test_out_of_service_it_takes_nothing() -> None:
    """Not even at a turnaround; and a valve that never is in service in any window has answers, too."""
    found = taken((*PLANTS["all opportunistic"], GASKET), ends=140.0)["trim"]
    assert found.turnaround[WINDOWS[-1]][0] == 0.0
    assert found.probabilities[149.0, 150.0][0].tolist() == [1.0]
    never = taken((*PLANTS["all opportunistic"], GASKET), begins=800.0)
    assert {float(one.unplanned[window][0]) for one in never.values() for window in WINDOWS} == {0.0}
    assert all(one.probabilities[window][0].tolist() == [1.0] for one in never.values() for window in WINDOWS)


def test_running_demand_is_demand_without_turnarounds() -> None:
    """What never fails: one kit in the window with the turnaround, none on the run."""
    policies = (Policy(shape=2.0, scale=1e9, opportunity=800.0), *PLANTS["all opportunistic"][1:], GASKET)
    trim = taken(policies)["trim"]
    everyone = frozenset({"V"})
    both = [count([trim], (0.0, 365.0), valves=everyone) for count in (kit_demand, running_demand)]
    assert [one.mean for one in both] == pytest.approx([1.0, 0.0], abs=1e-9)
    assert [one.turnaround for one in both] == pytest.approx([1.0, 0.0], abs=1e-9)


def test_unknown_ages_are_old_enough_in_part() -> None:
    """A lifetime beyond the horizon, in place for ages: equally likely any age, but at least what was watched."""
    policies = (Policy(shape=1.0, scale=3000.0, opportunity=1000.0), *PLANTS["all opportunistic"][1:], GASKET)
    ages = {item: stands(item, age=None, survived=400) for item in ITEMS}
    group = Group(plans=policy_plans(policies), valves=("V",), ages=(ages,), turnarounds=(150.0,))
    (trim,) = [one for one in kits_taken(group, [(0.0, 150.0)]) if one.kit == "trim"]
    # given 400 days without a renewal, age is 400 and an exponential part more; 850 days are enough
    expected = math.exp(-450.0 / 3000.0) * math.exp(-150.0 / 3000.0)
    assert trim.turnaround[0.0, 150.0][0] == pytest.approx(expected, rel=0.02)


def test_kits_of_a_plant_agree_with_a_simulation() -> None:
    """All policies, known and unknown ages, a removal, two turnarounds: the study with fewer futures, another seed."""
    for line in study(30_000, seed=1):
        assert abs(line.expected - line.simulated) < 0.005 * line.expected + 3.5 * line.error
        assert line.distance < 0.01 + line.floor
