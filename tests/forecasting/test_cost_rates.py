"""What an item costs in the long run, and from which age renewing it at a window pays."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from forecasting.arrays import FloatArray
from forecasting.cost_rates import LongRun, cost_of_leaving, long_run, mixed
from forecasting.errors import InvalidInput
from forecasting.lifetimes import Exponential, Lognormal, Weibull

WEARS = Weibull(scale=1000.0, shape=2.5)


@dataclass(frozen=True)
class Uniform:
    """A life that ends at any age up to `longest` alike."""

    longest: float

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard; infinite at the longest life."""
        with np.errstate(divide="ignore"):
            return -np.log(1.0 - np.minimum(np.asarray(age, dtype=np.float64) / self.longest, 1.0))

    def quantile(self, probability: float) -> float:
        """Age by which this share has ended."""
        return self.longest * probability


def threshold(run: LongRun, days: float) -> float:
    def gain(age: float) -> float:
        return float(cost_of_leaving(run, ages=[age], days=days).gain[0])

    return float(brentq(gain, 1.0, run.ages[-1] / 2.0))


def test_best_age_and_rate_are_those_of_the_literature() -> None:
    best = long_run(WEARS, planned=1.0, unplanned=5.0)
    assert best.interval == pytest.approx(493.0469576, abs=5e-3)
    assert best.rate == pytest.approx(0.00346204274, abs=5e-12)
    assert best.rate * WEARS.mean / 5.0 == pytest.approx(0.614349, abs=5e-7)


def test_hydraulic_seal() -> None:
    best = long_run(WEARS, planned=1.0, unplanned=6.0)
    assert best.interval / 1000.0 == pytest.approx(0.45, abs=5e-3)
    assert best.rate * WEARS.mean / 6.0 == pytest.approx(0.56, abs=5e-3)


def test_uniform_life() -> None:
    best = long_run(Uniform(40_000.0), planned=100.0, unplanned=200.0)
    assert best.interval == pytest.approx(29_282.032, abs=0.05)
    cost = 100.0 * best.alive + 200.0 * (1.0 - best.alive)
    for age, rate in ((10_000, 0.0143), (20_000, 0.01), (30_000, 0.0093)):
        assert np.interp(age, best.ages, cost) / best.days_lived(age) == pytest.approx(rate, abs=5e-5)
    assert 200.0 / best.lasted[-1] == pytest.approx(0.01, abs=5e-5)


@pytest.mark.parametrize(("ratio", "age"), [(2.0, 1.0907969696), (5.0, 0.5106552243), (10.0, 0.3364511913)])
def test_closed_form_for_shape_two(ratio: float, age: float) -> None:
    assert long_run(Weibull(scale=1.0, shape=2.0), planned=1.0, unplanned=ratio).interval == pytest.approx(
        age, abs=2e-5
    )


@pytest.mark.parametrize("lifetime", [Exponential(scale=700.0), Weibull(scale=700.0, shape=0.8)])
def test_what_does_not_wear_is_never_renewed_as_planned(lifetime: Exponential | Weibull) -> None:
    run = long_run(lifetime, planned=1.0, unplanned=5.0)
    assert run.interval == np.inf
    assert run.rate == pytest.approx(5.0 / lifetime.mean, rel=2e-3)
    assert (cost_of_leaving(run, ages=[1.0, 300.0, 3000.0], days=365.0).cost <= 1.0).all()


@pytest.mark.parametrize(("days", "age"), [(1.0, 492.5), (30.0, 478.0), (100.0, 443.0)])
def test_threshold_age_of_the_rule(days: float, age: float) -> None:
    digits = 0.05 if days == 1.0 else 0.5
    assert threshold(long_run(WEARS, planned=1.0, unplanned=5.0), days) == pytest.approx(age, abs=digits)


def test_threshold_age_tends_to_the_best_age() -> None:
    run = long_run(WEARS, planned=1.0, unplanned=5.0)
    assert threshold(run, 0.01) == pytest.approx(493.05, abs=0.01)


def test_leaving_costs_the_gain_more_than_renewing_where_renewing_pays() -> None:
    run = long_run(WEARS, planned=1.0, unplanned=5.0)
    old = cost_of_leaving(run, ages=[450.0, 600.0, 900.0], days=100.0)
    assert old.cost == pytest.approx(old.gain + run.planned, abs=1e-6)


def test_a_new_item_costs_nothing_to_leave() -> None:
    run = long_run(WEARS, planned=1.0, unplanned=5.0)
    young = cost_of_leaving(run, ages=np.array([0.0, 100.0, 300.0]), days=100.0)
    assert young.cost[0] == pytest.approx(0.0, abs=1e-6)
    assert (np.diff(young.cost) > 0.0).all()
    assert (young.cost < run.planned).all()


def test_cost_of_leaving_is_the_least_over_later_ages_of_renewal() -> None:
    # each age of renewal tried on its own, integrals by the trapezoidal rule
    run, age, window = long_run(WEARS, planned=1.0, unplanned=5.0), 200.0, 100.0
    ages = np.linspace(age, 3000.0, 40_001)
    alive = np.exp(WEARS.cumulative_hazard(age) - WEARS.cumulative_hazard(ages))
    lived = np.concatenate([[0.0], np.cumsum((alive[1:] + alive[:-1]) / 2.0 * np.diff(ages))])
    tried = (5.0 * (1.0 - alive) + alive - run.rate * lived)[ages >= age + window]
    assert cost_of_leaving(run, ages=[age], days=window).cost[0] == pytest.approx(tried.min(), abs=1e-4)


def test_a_mixture_survives_as_its_parts_do_on_average() -> None:
    parts: list[Weibull | Lognormal] = [WEARS, Weibull(scale=500.0, shape=1.5), Lognormal(scale=800.0, shape=1.2)]
    ages = np.array([0.0, 10.0, 400.0, 2000.0])
    wanted = np.mean([part.survival(ages) for part in parts], axis=0)
    assert np.exp(-mixed(parts).cumulative_hazard(ages)) == pytest.approx(wanted, rel=1e-12)
    middle = mixed(parts).quantile(0.5)
    assert np.mean([part.survival(middle) for part in parts]) == pytest.approx(0.5, abs=1e-9)


def test_costs_have_to_be_positive() -> None:
    with pytest.raises(InvalidInput, match="costs must be positive"):
        long_run(WEARS, planned=0.0, unplanned=5.0)


def test_ages_are_not_negative() -> None:
    with pytest.raises(InvalidInput, match="must not be negative"):
        cost_of_leaving(long_run(WEARS, planned=1.0, unplanned=5.0), ages=[-1.0], days=1.0)
