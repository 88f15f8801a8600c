"""Ages nobody wrote down: against simulated records, closed forms and what is known at the limits."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gamma

from forecasting.ages import AgeMix, unknown_age
from forecasting.errors import InvalidInput
from forecasting.lifetimes import Weibull
from forecasting.processes import Process
from tests.reference import slow
from tests.strategies import CI

INF = math.inf
QUARTILES = np.array([0.25, 0.5, 0.75])


def process(item: slow.Item) -> Process:
    """The item as the package wants it."""
    return Process(lifetimes=(Weibull(scale=item.scale, shape=item.shape),), interval=item.interval)


def mean(mix: AgeMix) -> float:
    """Mean age."""
    return float(mix.ages @ mix.weights)


def below(mix: AgeMix, age: float) -> float:
    """Weight below an age, that at it counted half."""
    return float(mix.weights @ ((mix.ages < age) + 0.5 * (mix.ages == age)))


@dataclass(frozen=True, kw_only=True)
class Record:
    """A quiet record: an item installed so long ago, and not renewed for so long."""

    item: slow.Item
    in_place: float
    survived: float


RECORDS = {
    "corrective": Record(item=slow.Item(shape=2.2, scale=1500.0), in_place=4000.0, survived=700.0),
    "corrective, seen since today": Record(item=slow.Item(shape=2.2, scale=1500.0), in_place=4000.0, survived=0.0),
    "corrective, long in place": Record(item=slow.Item(shape=3.0, scale=1500.0), in_place=12000.0, survived=300.0),
    "corrective, in place for ages": Record(item=slow.Item(shape=2.2, scale=1500.0), in_place=45000.0, survived=400.0),
    "hardly used": Record(item=slow.Item(shape=2.2, scale=1500.0), in_place=500.0, survived=200.0),
    "early failures": Record(item=slow.Item(shape=0.7, scale=1500.0), in_place=9000.0, survived=1000.0),
    "constant rate": Record(item=slow.Item(shape=1.0, scale=1500.0), in_place=9000.0, survived=1000.0),
    "almost a clock": Record(item=slow.Item(shape=6.0, scale=1500.0), in_place=14000.0, survived=0.0),
    "predetermined": Record(item=slow.Item(shape=2.2, scale=1500.0, interval=1460.0), in_place=7000.0, survived=600.0),
    "predetermined, rarely failing": Record(
        item=slow.Item(shape=2.5, scale=4000.0, interval=1825.0), in_place=3000.0, survived=900.0
    ),
    "predetermined, soon due": Record(
        item=slow.Item(shape=2.2, scale=1500.0, interval=1460.0), in_place=6500.0, survived=1000.0
    ),
}


@pytest.mark.parametrize("number", range(len(RECORDS)), ids=list(RECORDS))
def test_ages_agree_with_simulated_records(number: int) -> None:
    """Mean within 4 standard errors and 0.3 %; each quartile of the simulation has its share below, to 2.5 %."""
    record = list(RECORDS.values())[number]
    rng = np.random.default_rng(100 + number)
    ages = slow.ages_since_installation(rng, record.item, in_place=record.in_place, size=300_000)
    ages = ages[ages >= record.survived]
    mix = unknown_age(process(record.item), in_place=record.in_place, survived=record.survived, parts=120)
    assert mean(mix) == pytest.approx(ages.mean(), abs=4.0 * ages.std() / math.sqrt(len(ages)) + 0.003 * ages.mean())
    for quartile in np.quantile(ages, QUARTILES):
        share = float(np.mean(ages < quartile) + 0.5 * np.mean(ages == quartile))
        assert below(mix, quartile) == pytest.approx(share, abs=0.025)
    assert math.exp(mix.log_chance) == pytest.approx(len(ages) / 300_000, rel=0.02)


@pytest.mark.parametrize("parts", [12, 40, 120])
@pytest.mark.parametrize("shape", [0.6, 1.0, 1.5, 2.5, 4.0])
def test_in_equilibrium_the_mean_age_is_half_the_mean_square_over_the_mean(shape: float, parts: int) -> None:
    """E[T^2] / (2 E[T]), however few ages are used: they keep the mean."""
    wanted = gamma(1.0 + 2.0 / shape) / (2.0 * gamma(1.0 + 1.0 / shape))
    old = unknown_age(process(slow.Item(shape=shape, scale=1.0)), in_place=None, survived=0.0, parts=parts)
    assert mean(old) == pytest.approx(wanted, rel=2e-3)
    assert old.log_chance == pytest.approx(0.0, abs=2e-3)


def test_at_a_constant_rate_the_past_is_forgotten() -> None:
    """Age since the records begin, and one more mean life: the backward recurrence time is exponential."""
    old = unknown_age(process(slow.Item(shape=1.0, scale=500.0)), in_place=None, survived=300.0, parts=120)
    assert mean(old) == pytest.approx(800.0, rel=1e-3)
    for quartile in QUARTILES:
        assert below(old, 300.0 - 500.0 * math.log(1.0 - quartile)) == pytest.approx(quartile, abs=0.01)
    assert math.exp(old.log_chance) == pytest.approx(math.exp(-0.6), rel=1e-3)


def test_long_after_installation_only_the_policy_matters() -> None:
    """Never failing, renewed every 1000 days: any age below is as likely as another."""
    old = unknown_age(
        process(slow.Item(shape=2.0, scale=1e6, interval=1000.0)), in_place=None, survived=250.0, parts=120
    )
    assert mean(old) == pytest.approx(625.0, rel=1e-3)
    assert below(old, 500.0) == pytest.approx(1.0 / 3.0, abs=0.01)
    assert old.ages.max() < 1000.0


def test_an_unbroken_row_of_planned_renewals_gives_one_age() -> None:
    """Never failing, renewed every 1000 days since 3400 days ago: 400 days old."""
    old = unknown_age(
        process(slow.Item(shape=2.0, scale=1e7, interval=1000.0)), in_place=3400.0, survived=250.0, parts=40
    )
    assert old.ages[np.argmax(old.weights)] == pytest.approx(400.0, abs=1e-6)
    assert old.weights.max() > 0.999


def test_watched_since_installation_it_is_as_old_as_the_valve() -> None:
    """Nothing was renewed: one age."""
    known = unknown_age(process(slow.Item(shape=2.2, scale=1500.0)), in_place=800.0, survived=800.0, parts=40)
    assert known.ages.tolist() == [800.0]
    assert known.weights.tolist() == [1.0]


def test_a_policy_nobody_followed_is_left_out_of_account() -> None:
    """Due every 365 days, not renewed for 900: as if there were none."""
    item = slow.Item(shape=2.2, scale=1500.0)
    without = unknown_age(process(item), in_place=4000.0, survived=900.0, parts=40)
    ignored = unknown_age(
        process(slow.Item(shape=2.2, scale=1500.0, interval=365.0)), in_place=4000.0, survived=900.0, parts=40
    )
    assert np.array_equal(ignored.ages, without.ages)
    assert np.array_equal(ignored.weights, without.weights)


@pytest.mark.parametrize("in_place", [None, 70000.0])
def test_an_age_nothing_survives_to_is_the_youngest_possible(in_place: float | None) -> None:
    """Forty lives without a failure: so unlikely that no weight is left in doubles."""
    mix = unknown_age(process(slow.Item(shape=9.0, scale=1500.0)), in_place=in_place, survived=60000.0, parts=40)
    assert mix.ages.tolist() == [60000.0]
    assert mix.weights.tolist() == [1.0]
    assert math.isfinite(mix.log_chance)


def test_items_renewed_together_share_an_age() -> None:
    """Two items of 500 and 2000 days at constant rates are one of 400."""
    both = Process(lifetimes=(Weibull(scale=500.0, shape=1.0), Weibull(scale=2000.0, shape=1.0)))
    assert mean(unknown_age(both, in_place=None, survived=100.0, parts=60)) == pytest.approx(500.0, rel=2e-3)


@settings(CI, max_examples=100)
@given(
    shape=st.floats(0.4, 9.0),
    interval=st.sampled_from([INF, 365.0, 1461.0]),
    in_place=st.none() | st.floats(1.0, 40000.0),
    share=st.floats(0.0, 1.0),
    parts=st.integers(5, 60),
)
def test_ages_are_possible_and_weights_sum_to_1(
    shape: float, interval: float, in_place: float | None, share: float, parts: int
) -> None:
    """Since installation at most, at least as long as the record is quiet; few of them."""
    survived = share * (3000.0 if in_place is None else min(in_place, 3000.0))
    item = slow.Item(shape=shape, scale=1500.0, interval=interval)
    mix = unknown_age(process(item), in_place=in_place, survived=survived, parts=parts)
    assert mix.weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert (mix.weights > 0.0).all()
    assert mix.ages.min() >= survived
    assert mix.ages.max() <= max(INF if in_place is None else in_place, survived * (1.0 + 1e-9) + 1.0)
    assert len(mix.ages) <= parts + 1


@pytest.mark.parametrize(("in_place", "survived"), [(100.0, 101.0), (100.0, -1.0), (None, -1.0)])
def test_a_record_longer_than_the_valves_time_in_place_is_refused(in_place: float | None, survived: float) -> None:
    """Named with both."""
    with pytest.raises(InvalidInput, match="`survived` must be within `in_place`"):
        unknown_age(process(slow.Item(shape=1.0, scale=1.0)), in_place=in_place, survived=survived, parts=9)
