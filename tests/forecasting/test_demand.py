"""Kit demand of a population: published distribution, slow convolution, and its laws."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, TakeUp, Window, kits_taken
from forecasting.demand import Demand, kit_demand
from forecasting.fitting import fit_weibull
from forecasting.lifetimes import failure_probability
from tests.reference import slow
from tests.reference.life_data import bearing_cage
from tests.strategies import CI

WEEK: Window = (0.0, 7.0)
CAGE_CDF = [0.006293, 0.038251, 0.119336, 0.256384, 0.429972, 0.605728, 0.753903, 0.860894, 0.928438]
"""P(at most 0, 1, ... 8 failures) among 1697 cages in 300 hours; computed, SOURCES.md."""


def taken(counts: slow.FloatArray, *, qty: int = 1, planned: float = 0.25, prefix: str = "V") -> TakeUp:
    """Counts of valves as what they take of one kit, a share of it planned."""
    kits = qty * (counts @ np.arange(counts.shape[1]))
    return TakeUp(
        kit="K",
        qty=qty,
        items=("seat",),
        valves=tuple(f"{prefix}{number}" for number in range(len(counts))),
        probabilities={WEEK: counts},
        running={WEEK: counts},
        unplanned={WEEK: kits * (1.0 - planned)},
        planned={WEEK: kits * planned},
        turnaround={WEEK: np.zeros(len(counts))},
        note="",
    )


def demand(*takers: TakeUp) -> Demand:
    """Demand of all their valves in the week."""
    return kit_demand(takers, WEEK, valves=frozenset(valve for one in takers for valve in one.valves))


@st.composite
def counts_of_valves(draw: st.DrawFn) -> slow.FloatArray:
    """Some valves, each with its own distribution of up to four renewals; some never need any, some surely."""
    rows = draw(st.lists(st.lists(st.integers(0, 9), min_size=5, max_size=5), min_size=1, max_size=30))
    weights = np.array(rows, dtype=np.float64)
    weights[:, 0] += weights.sum(axis=1) == 0.0
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def cages() -> tuple[slow.FloatArray, Group]:
    """Failure chances of the surviving bearing cages in the next 300 hours, and the cages as valves."""
    (fit,) = fit_weibull(bearing_cage())
    assert fit.lifetime is not None
    seen = bearing_cage()
    ages = seen.lower[np.isinf(seen.upper)]
    tags = tuple(f"cage {number}" for number in range(len(ages)))
    plan = ItemPlan(
        item="cage", lifetime=fit.lifetime, interval=math.inf, kit="cage", qty=1, renews=frozenset({"cage"})
    )
    stands = tuple(
        {
            "cage": ItemAge(
                valve=tag,
                item="cage",
                service_class="",
                age=int(age),
                survived=int(age),
                in_place=None,
                awaits_renewal=False,
            )
        }
        for tag, age in zip(tags, ages, strict=True)
    )
    chance = failure_probability(fit.lifetime, age=ages, days=300.0)
    return chance, Group(plans=(plan,), valves=tags, ages=stands)


def test_failures_of_the_bearing_cages_have_the_computed_distribution() -> None:
    """Meeker & Escobar 1998, chapter 12 (data seen, distribution computed): to 1e-6, and as a slow convolution says."""
    chance, _ = cages()
    found = demand(taken(np.stack([1.0 - chance, chance], axis=1), prefix="cage "))
    plain = slow.poisson_binomial(chance)
    assert np.cumsum(found.probabilities)[:9] == pytest.approx(CAGE_CDF, abs=1e-6)
    assert found.probabilities == pytest.approx(plain[: len(found.probabilities)], abs=1e-13)
    assert (found.quantile(0.05), found.quantile(0.95)) == (2, 9)


def test_demand_of_the_bearing_cages_adds_only_what_fails_twice() -> None:
    """A new cage fails within the window with a chance of 6e-4: that much of the failures, at most, comes again."""
    chance, group = cages()
    window: Window = (0.0, 300.0)
    (taker,) = kits_taken(group, [window])
    found = kit_demand([taker], window, valves=frozenset(group.valves))
    again = chance.sum() * failure_probability(group.plans[0].lifetime, age=0.0, days=300.0)
    assert again == pytest.approx(2.9e-3, abs=1e-4)
    plain = slow.poisson_binomial(chance)[: len(found.probabilities)]
    assert np.abs(np.cumsum(found.probabilities) - np.cumsum(plain)).max() < again
    assert np.cumsum(found.probabilities)[:9] == pytest.approx(CAGE_CDF, abs=2e-4)
    assert 5.058209 < found.mean < 5.058209 + again


@settings(CI, max_examples=200)
@given(counts=counts_of_valves(), qty=st.integers(1, 3))
def test_demand_is_the_slow_convolution_of_the_valves(counts: slow.FloatArray, qty: int) -> None:
    """For any valves, one or more kits at a time."""
    found = demand(taken(counts, qty=qty)).probabilities
    plain = slow.convolved(list(counts), qty)
    size = max(len(found), len(plain))
    assert np.pad(found, (0, size - len(found))) == pytest.approx(np.pad(plain, (0, size - len(plain))), abs=1e-12)


@settings(CI, max_examples=200)
@given(first=counts_of_valves(), second=counts_of_valves(), qty=st.integers(1, 2))
def test_demand_of_two_sites_is_their_convolution(first: slow.FloatArray, second: slow.FloatArray, qty: int) -> None:
    """Their valves are different ones."""
    here, there = taken(first, prefix="A"), taken(second, qty=qty, prefix="B")
    both = demand(here, there).probabilities
    apart = np.convolve(demand(here).probabilities, demand(there).probabilities)
    size = max(len(both), len(apart))
    assert np.pad(both, (0, size - len(both))) == pytest.approx(np.pad(apart, (0, size - len(apart))), abs=1e-11)


@settings(CI, max_examples=200)
@given(counts=counts_of_valves(), probability=st.floats(0.0, 1.0))
def test_a_quantile_is_the_smallest_number_that_suffices(counts: slow.FloatArray, probability: float) -> None:
    """Up to rounding of 1e-12."""
    found = demand(taken(counts))
    kits, reached = found.quantile(probability), np.cumsum(found.probabilities)
    assert reached[kits] >= probability - 1e-11
    assert kits == 0 or reached[kits - 1] < probability


@settings(CI, max_examples=200)
@given(counts=counts_of_valves(), qty=st.integers(1, 3), planned=st.floats(0.0, 1.0))
def test_the_mean_is_unplanned_and_planned_demand(counts: slow.FloatArray, qty: int, planned: float) -> None:
    """And that of the valves."""
    found = demand(taken(counts, qty=qty, planned=planned))
    assert found.probabilities.sum() == pytest.approx(1.0, abs=1e-12)
    assert found.mean == pytest.approx(qty * float((counts @ np.arange(5)).sum()), rel=1e-9, abs=1e-9)
    assert found.unplanned + found.planned == pytest.approx(found.mean, rel=1e-9, abs=1e-9)


@settings(CI, max_examples=100)
@given(counts=counts_of_valves(), served=st.integers(0, 30))
def test_only_the_valves_served_count(counts: slow.FloatArray, served: int) -> None:
    """Those of other storerooms are left out."""
    taker = taken(counts)
    found = kit_demand([taker], WEEK, valves=frozenset(taker.valves[:served]))
    some = demand(taken(counts[:served])) if served else demand()
    assert found.probabilities == pytest.approx(some.probabilities, abs=1e-12)


def test_nobody_takes_a_kit_no_valve_needs() -> None:
    """Demand 0, surely."""
    nothing = demand()
    assert nothing.probabilities.tolist() == [1.0]
    assert (nothing.mean, nothing.quantile(0.999), nothing.unplanned, nothing.planned) == (0.0, 0, 0.0, 0.0)


@pytest.mark.parametrize("valves", [3000, 20000])
def test_a_large_population_is_as_exact(valves: int) -> None:
    """Like valves: a binomial, also far in its tail."""
    chance = 0.03
    found = demand(taken(np.tile([1.0 - chance, chance], (valves, 1))))
    k = np.arange(len(found.probabilities))
    logs = np.array([math.lgamma(valves + 1) - math.lgamma(n + 1) - math.lgamma(valves - n + 1) for n in k])
    assert found.probabilities == pytest.approx(
        np.exp(logs + k * math.log(chance) + (valves - k) * math.log1p(-chance)), abs=1e-12
    )
