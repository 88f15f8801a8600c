"""Trim and packing together: against simulation, closed forms, and the wrong treatments that must be caught."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import poisson

from forecasting.calendars import Calendar
from forecasting.joint_renewals import inner_counts, inner_expected
from forecasting.lifetimes import Weibull
from forecasting.processes import Process
from forecasting.renewals import Operators, outer_counts, outer_expected, renewal_operators
from tests.reference import slow
from tests.reference.slow import Item

INF = math.inf
REPLICATIONS = 150_000


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A valve: its trim, its packing, and their ages now (infinite: awaiting renewal)."""

    trim: Item
    packing: Item
    trim_age: float
    packing_age: float

    @property
    def calendar(self) -> Calendar:
        """Cells of a week at most."""
        intervals = [item.interval for item in (self.packing, self.trim) if item.interval < INF]
        return Calendar.of(slow.WINDOWS, intervals=intervals)

    @property
    def operators(self) -> tuple[Operators, Operators]:
        """Of trim and packing."""
        trim, packing = (
            renewal_operators(
                Process(lifetimes=(Weibull(scale=item.scale, shape=item.shape),), interval=item.interval),
                self.calendar,
                np.array([[age]]),
            )
            for item, age in ((self.trim, self.trim_age), (self.packing, self.packing_age))
        )
        return trim, packing

    def simulated(self, seed: int) -> tuple[slow.Counts, slow.Counts]:
        """Trim and packing renewals, event by event."""
        ages = np.full(REPLICATIONS, self.trim_age), np.full(REPLICATIONS, self.packing_age)
        return slow.simulate(np.random.default_rng(seed), trim=self.trim, packing=self.packing, ages=ages)


TRIM, PACKING = Item(shape=2.2, scale=1000.0), Item(shape=1.4, scale=767.0)
TRIM_525, PACKING_250 = Item(shape=2.2, scale=1000.0, interval=525.0), Item(shape=1.4, scale=767.0, interval=250.0)
TRIM_500, PACKING_365 = Item(shape=2.2, scale=1500.0, interval=500.0), Item(shape=1.4, scale=2000.0, interval=365.0)
TRIM_730, TRIM_365 = Item(shape=2.2, scale=1500.0, interval=730.0), Item(shape=2.2, scale=1500.0, interval=365.0)

PAIRS = {
    "both corrective": Pair(trim=TRIM, packing=PACKING, trim_age=300.0, packing_age=100.0),
    "early failures": Pair(
        trim=Item(shape=0.8, scale=1000.0), packing=Item(shape=0.7, scale=767.0), trim_age=300.0, packing_age=100.0
    ),
    "trim predetermined": Pair(trim=TRIM_525, packing=PACKING, trim_age=300.0, packing_age=100.0),
    "packing predetermined": Pair(trim=TRIM, packing=PACKING_250, trim_age=300.0, packing_age=100.0),
    "both predetermined": Pair(trim=TRIM_525, packing=PACKING_250, trim_age=300.0, packing_age=100.0),
    "both due on the same days": Pair(trim=TRIM_365, packing=PACKING_365, trim_age=100.0, packing_age=100.0),
    "packing due twice as often": Pair(trim=TRIM_500, packing=PACKING_250, trim_age=100.0, packing_age=100.0),
    "packing due twice as often, renewed last year": Pair(
        trim=TRIM_730, packing=PACKING_365, trim_age=400.0, packing_age=35.0
    ),
    "both overdue": Pair(trim=TRIM_525, packing=PACKING_250, trim_age=600.0, packing_age=300.0),
    "trim awaits renewal": Pair(trim=TRIM, packing=PACKING, trim_age=INF, packing_age=100.0),
    "packing awaits renewal": Pair(trim=TRIM_525, packing=PACKING_250, trim_age=200.0, packing_age=INF),
    "both await renewal": Pair(trim=TRIM, packing=PACKING, trim_age=INF, packing_age=INF),
}


def compare(pmf: slow.FloatArray, seen: slow.IntArray) -> None:
    """Hold every count that is expected at least 25 times, the rest together, and the mean against a simulation."""
    expected = np.append(pmf, 0.0) * len(seen)
    found = np.bincount(np.minimum(seen, len(pmf)), minlength=len(pmf) + 1)
    often = expected >= 25.0
    expected, found = (np.append(values[often], values[~often].sum()) for values in (expected, found))
    spread = np.sqrt(np.maximum(expected * (1.0 - expected / len(seen)), 1.0))
    assert (np.abs(found - expected) / spread).max() < 4.5
    mean, error = pmf @ np.arange(len(pmf)), seen.std() / math.sqrt(len(seen))
    assert abs(seen.mean() - mean) < 0.005 * mean + 3.5 * error


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_counts_agree_with_a_simulation(pair: Pair) -> None:
    """Seven windows of two years; 1.8 million futures in all, no shared code."""
    trim, packing = pair.operators
    trims, packings = pair.simulated(seed=11)
    for number in range(len(slow.WINDOWS)):
        compare(inner_counts(trim, packing, pair.calendar, number)[0], packings.all[number])
        compare(outer_counts(trim, pair.calendar, number)[0], trims.all[number])


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_planned_and_unplanned_agree_with_a_simulation(pair: Pair) -> None:
    """Expected kits by failure and as planned: within 0.5 % of all and the simulation's own 3.5 standard errors."""
    trim, packing = pair.operators
    for expected, counts in zip(
        (outer_expected(trim), inner_expected(trim, packing, pair.calendar)), pair.simulated(seed=12), strict=True
    ):
        for number in range(len(slow.WINDOWS)):
            cells = slice(*pair.calendar.span(number))
            for mean, seen in (
                (expected.planned[0, cells].sum(), counts.planned[number]),
                (expected.unplanned[0, cells].sum(), counts.all[number] - counts.planned[number]),
            ):
                error = math.sqrt(seen.var() / len(seen)) + 1e-5
                assert abs(seen.mean() - mean) < 0.005 * counts.all[number].mean() + 3.5 * error


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_every_distribution_sums_to_1(pair: Pair) -> None:
    """And its mean is the expected number, to 1 % where the two share planned dates."""
    trim, packing = pair.operators
    expected = inner_expected(trim, packing, pair.calendar)
    for number in range(len(slow.WINDOWS)):
        counts = inner_counts(trim, packing, pair.calendar, number)
        assert np.abs(counts.sum(axis=1) - 1.0).max() < 1e-9
        mean = (expected.planned + expected.unplanned)[0, slice(*pair.calendar.span(number))].sum()
        assert counts[0] @ np.arange(counts.shape[1]) == pytest.approx(mean, rel=0.01)


@pytest.mark.parametrize(
    "ages", [(365.0, 0.0), (200.0, 35.0), (170.0, 160.0), (5000.0, INF), (INF, 5000.0), (0.0, 0.0)], ids=str
)
def test_every_distribution_sums_to_1_on_any_edge(ages: tuple[float, float]) -> None:
    """Planned dates exactly on the edge of a window, on the first day, long gone, or none."""
    pair = Pair(trim=TRIM_525, packing=PACKING_250, trim_age=ages[0], packing_age=ages[1])
    trim, packing = pair.operators
    for number in range(len(slow.WINDOWS)):
        assert np.abs(inner_counts(trim, packing, pair.calendar, number).sum(axis=1) - 1.0).max() < 1e-9


@pytest.mark.parametrize("trim", [TRIM, TRIM_525, TRIM_365, Item(shape=0.7, scale=300.0)], ids=str)
@pytest.mark.parametrize("age", [0.0, 300.0, INF])
def test_packing_that_fails_at_a_constant_rate_is_poisson_whatever_the_trim_does(trim: Item, age: float) -> None:
    """Its resets change nothing: a closed form, met to 1e-5 with weekly cells."""
    pair = Pair(trim=trim, packing=Item(shape=1.0, scale=700.0), trim_age=age, packing_age=100.0)
    operators = pair.operators
    for number, (start, end) in enumerate(slow.WINDOWS):
        counts = inner_counts(*operators, pair.calendar, number)[0]
        expected = poisson.pmf(np.arange(len(counts)), (end - start) / 700.0)
        assert np.abs(counts - expected).max() < 1e-5


def test_on_a_tie_the_trims_kit_is_taken() -> None:
    """Nothing ever fails, both are due every 365 days: no packing kit at all; every 730 and 365: one in between."""
    for_ever = {"shape": 2.0, "scale": 1e7}
    same = Pair(
        trim=Item(**for_ever, interval=365.0), packing=Item(**for_ever, interval=365.0), trim_age=60.0, packing_age=60.0
    )
    twice = Pair(
        trim=Item(**for_ever, interval=730.0), packing=Item(**for_ever, interval=365.0), trim_age=60.0, packing_age=60.0
    )
    two_years = slow.WINDOWS.index((0.0, 730.0))
    assert inner_counts(*same.operators, same.calendar, two_years)[0, 0] == pytest.approx(1.0, abs=1e-4)
    assert inner_counts(*twice.operators, twice.calendar, two_years)[0, 1] == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("pair", "window", "excess"),
    [
        (PAIRS["trim predetermined"], (0.0, 365.0), 0.1),
        (PAIRS["both corrective"], (0.0, 730.0), 0.1),
        (PAIRS["packing due twice as often"], (0.0, 730.0), 0.3),
    ],
    ids=["trim predetermined", "both corrective", "packing due twice as often"],
)
def test_packing_on_its_own_would_take_too_many_kits(pair: Pair, window: tuple[float, float], excess: float) -> None:
    """The wrong treatment, told apart: were the trim's resets ignored, the mean would be more than 5 % too high."""
    number = slow.WINDOWS.index(window)
    right = inner_counts(*pair.operators, pair.calendar, number)[0]
    wrong = outer_counts(pair.operators[1], pair.calendar, number)[0]
    ratio = (wrong @ np.arange(len(wrong))) / (right @ np.arange(len(right)))
    assert ratio > 1.0 + excess
    with pytest.raises(AssertionError, match=r"assert"):
        compare(wrong, pair.simulated(seed=11)[1].all[number])
