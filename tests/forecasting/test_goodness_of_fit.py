"""The test of fit: its size where the lifetime is right, its power where it isn't, its laws."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import binom

from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.fitting import fit_lifetimes
from forecasting.goodness_of_fit import GoodnessOfFit, goodness_of_fit
from forecasting.lifetimes import Weibull
from forecasting.lives import Lives, lives_of_one_sample

Draw = Callable[[np.random.Generator, int], Lives]
LEVEL = 0.05
SCALE, SHAPE = 1500.0, 2.0


def right_censored(rng: np.random.Generator, count: int) -> Lives:
    """About two failures in three, watched from new."""
    age, end = SCALE * rng.weibull(SHAPE, count), rng.uniform(400.0, 2600.0, count)
    return lives_of_one_sample(lower=np.minimum(age, end), upper=np.where(age <= end, age, np.inf))


def entered_late(rng: np.random.Generator, count: int) -> Lives:
    """Half of them old when watching began."""
    entry = np.where(rng.random(count) < 0.5, rng.uniform(0.0, 1800.0, count), 0.0)
    age = SCALE * ((entry / SCALE) ** SHAPE + rng.exponential(size=count)) ** (1.0 / SHAPE)
    end = entry + rng.uniform(400.0, 2600.0, count)
    lower = np.maximum(entry, np.minimum(age, end))
    return lives_of_one_sample(entry=entry, lower=lower, upper=np.where(age <= end, lower, np.inf))


def inspected(rng: np.random.Generator, count: int) -> Lives:
    """Found failed at yearly inspections."""
    age, years = SCALE * rng.weibull(SHAPE, count), rng.integers(2, 8, count)
    found = np.ceil(age / 365.0)
    failed = found <= years
    lower = 365.0 * np.where(failed, found - 1.0, years)
    return lives_of_one_sample(lower=lower, upper=np.where(failed, lower + 365.0, np.inf))


def fitted_and_tested(lives: Lives, *, family: Family) -> GoodnessOfFit | None:
    fit = fit_lifetimes(lives, family=family)[0]
    assert fit.lifetime is not None
    return goodness_of_fit(lives, fit.lifetime)


def of_weibull(lives: Lives) -> GoodnessOfFit | None:
    return fitted_and_tested(lives, family=Family.WEIBULL)


@pytest.mark.slow
@pytest.mark.parametrize("draw", [right_censored, entered_late, inspected])
def test_the_right_lifetime_is_refused_as_often_as_the_level_says(draw: Draw) -> None:
    """Samples of 70 lives, seeds 1 to 250: refusals lie within the middle 99.9 % of the binomial distribution."""
    found = [of_weibull(draw(np.random.default_rng(seed), 70)) for seed in range(1, 251)]
    refused = sum(one.p < LEVEL for one in found if one is not None)
    told = sum(one is not None for one in found)
    assert told > 200
    assert binom.ppf(0.0005, told, LEVEL) <= refused <= binom.ppf(0.9995, told, LEVEL)


def test_two_kinds_of_failure_in_one_sample_are_found_out() -> None:
    """Four in ten fail early, the rest of old age: 60 lives, found in most of 40 samples."""
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        early, late = 200.0 * rng.weibull(1.5, 60), 2500.0 * rng.weibull(4.0, 60)
        age = np.where(rng.random(60) < 0.4, early, late)
        found.append(of_weibull(lives_of_one_sample(lower=age, upper=age)))
    assert sum(one is not None and one.p < LEVEL for one in found) > 30


@pytest.mark.parametrize("family", [Family.LOGNORMAL, Family.LOGLOGISTIC])
def test_any_family_can_be_tested(family: Family) -> None:
    """Lives of the family itself pass: the log age is normal, or logistic, at its own quantiles."""
    rng = np.random.default_rng(12)
    noise = rng.standard_normal(120) if family is Family.LOGNORMAL else rng.logistic(size=120)
    age = 900.0 * np.exp(0.4 * noise)
    one = fitted_and_tested(lives_of_one_sample(lower=age, upper=age), family=family)
    assert one is not None
    assert one.p > LEVEL


def test_observed_and_expected_add_up_to_the_failures() -> None:
    lives = entered_late(np.random.default_rng(3), 80)
    one = of_weibull(lives)
    assert one is not None
    failures = np.count_nonzero(np.isfinite(lives.upper))
    assert one.observed.sum() == pytest.approx(failures, abs=1e-6)
    assert one.expected.sum() == pytest.approx(failures, rel=1e-3)
    assert len(one.observed) == len(one.ages) - 1 > one.freedom


def test_the_unit_of_time_does_not_matter() -> None:
    days = right_censored(np.random.default_rng(4), 80)
    years = lives_of_one_sample(lower=days.lower / 365.25, upper=days.upper / 365.25)
    in_days, in_years = of_weibull(days), of_weibull(years)
    assert in_days is not None
    assert in_years is not None
    assert in_years.p == pytest.approx(in_days.p, rel=1e-5)


def test_below_fifteen_failures_nothing_is_said() -> None:
    ages = np.arange(1.0, 15.0)
    assert goodness_of_fit(lives_of_one_sample(lower=ages, upper=ages), Weibull(scale=8.0, shape=2.0)) is None


def test_one_wide_interval_for_all_says_nothing() -> None:
    wide = lives_of_one_sample(lower=[0.0] * 20, upper=[400.0] * 20)
    assert goodness_of_fit(wide, Weibull(scale=300.0, shape=1.0)) is None


def test_impossible_arguments_are_refused() -> None:
    ages = np.arange(1.0, 31.0)
    with pytest.raises(InvalidInput, match="`free` must be 1 or 2, got 3"):
        goodness_of_fit(lives_of_one_sample(lower=ages, upper=ages), Weibull(scale=8.0, shape=2.0), free=3)
    two = Lives(
        samples=(("a", "x"), ("b", "x")),
        sample=np.array([0, 1]),
        entry=np.zeros(2),
        lower=np.ones(2),
        upper=np.ones(2),
        cause=np.arange(2),
    )
    with pytest.raises(InvalidInput, match="`lives` must be of one sample, got 2"):
        goodness_of_fit(two, Weibull(scale=8.0, shape=2.0))
