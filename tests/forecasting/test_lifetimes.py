"""The Weibull lifetime and the chance of failing next."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.fitting import fit_weibull
from forecasting.lifetimes import Weibull, failure_probability, lifetime_from_logs
from tests.reference import slow
from tests.reference.life_data import bearing_cage
from tests.strategies import CI

scales = st.floats(1.0, 1e5)
shapes = st.floats(0.3, 10.0)


def test_expected_failures_of_the_bearing_cages_in_the_next_300_hours() -> None:
    """Meeker & Escobar 1998, chapter 12 (5.057 from memory; 5.058209 computed): the sum over 1697 survivors."""
    (fit,) = fit_weibull(bearing_cage())
    running = [row for row in slow.rows("bearing_cage.csv") if row["event"] == "Censored"]
    counts = np.array([float(row["count"]) for row in running])
    assert fit.lifetime is not None
    chance = failure_probability(fit.lifetime, age=[float(row["hours"]) for row in running], days=300.0)
    assert counts.sum() == 1697
    assert counts @ chance == pytest.approx(5.058209, abs=2e-6)


@CI
@given(scale=scales, shape=shapes, probability=st.floats(1e-9, 1.0 - 1e-9))
def test_the_quantile_inverts_the_survival(scale: float, shape: float, probability: float) -> None:
    """Where rounding lets it be told."""
    lifetime = Weibull(scale=scale, shape=shape)
    assert lifetime.survival(lifetime.quantile(probability)) == pytest.approx(1.0 - probability, rel=1e-6, abs=1e-12)


@CI
@given(scale=scales, shape=shapes)
def test_a_share_of_63_percent_has_failed_by_the_scale(scale: float, shape: float) -> None:
    """Whatever the shape."""
    assert Weibull(scale=scale, shape=shape).survival(scale) == pytest.approx(math.exp(-1.0), rel=1e-12)


@pytest.mark.parametrize(("scale", "shape"), [(500.0, 0.7), (500.0, 1.0), (2000.0, 2.5), (90.0, 6.0)])
def test_the_mean_is_the_area_under_the_survival(scale: float, shape: float) -> None:
    """By quadrature."""
    lifetime = Weibull(scale=scale, shape=shape)
    area = quad(lambda age: float(lifetime.survival(age)), 0.0, lifetime.quantile(1.0 - 1e-15), limit=400)[0]
    assert lifetime.mean == pytest.approx(area, rel=1e-7)


@CI
@given(scale=scales, shape=shapes, age=st.floats(0.0, 3.0), first=st.floats(0.0, 3.0), second=st.floats(0.0, 3.0))
def test_surviving_two_spans_is_surviving_one_after_the_other(
    scale: float, shape: float, age: float, first: float, second: float
) -> None:
    """Ages and spans in scales."""
    lifetime = Weibull(scale=scale, shape=shape)
    survived = [
        1.0 - failure_probability(lifetime, age=begin * scale, days=span * scale)
        for begin, span in ((age, first), (age + first, second), (age, first + second))
    ]
    assert survived[0] * survived[1] == pytest.approx(survived[2], rel=1e-9, abs=1e-12)


def test_far_in_the_tail_the_chance_keeps_its_digits() -> None:
    """The survival is 1e-400 there: a ratio of survivals would be 0 / 0; a rate of 1e-13 a day is not lost either."""
    old = Weibull(scale=100.0, shape=2.0)
    assert old.survival(3100.0) == 0.0
    assert failure_probability(old, age=3100.0, days=0.1) == pytest.approx(
        -math.expm1(-(31.001**2 - 31.0**2)), rel=1e-10
    )
    rare = Weibull(scale=1e13, shape=1.0)
    assert failure_probability(rare, age=0.0, days=1.0) == pytest.approx(1e-13, rel=1e-12)


def test_ages_and_spans_are_broadcast() -> None:
    """One row per age, one column per span."""
    chance = failure_probability(
        Weibull(scale=1000.0, shape=2.0), age=np.array([[0.0], [500.0]]), days=[30.0, 91.0, 365.0]
    )
    assert chance.shape == (2, 3)


@pytest.mark.parametrize(
    ("scale", "shape"),
    [(0.0, 1.0), (-5.0, 1.0), (1.0, 0.0), (math.inf, 1.0), (1.0, math.inf), (math.nan, 1.0), (1.0, math.nan)],
)
def test_impossible_parameters_are_refused(scale: float, shape: float) -> None:
    """Named with their values."""
    with pytest.raises(InvalidInput, match="`scale` and `shape` must be positive and finite"):
        Weibull(scale=scale, shape=shape)


def test_so_old_that_none_gets_there_it_fails_at_once() -> None:
    """Hazards beyond doubles are infinite, their difference isn't undefined, and nothing warns."""
    steep = Weibull(scale=700.0, shape=2424.0)
    assert np.isinf(steep.cumulative_hazard(1000.0))
    chance = failure_probability(steep, age=[690.0, 600.0, 1000.0, 1000.0], days=[30, 30, 1, 0])
    assert chance == pytest.approx([1.0, 0.0, 1.0, 0.0], abs=1e-12)


@pytest.mark.parametrize("family", [Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC], ids=str)
def test_lives_of_whole_days_are_never_told_apart_by_less_than_a_day(family: Family) -> None:
    """The standard deviation is at least about that of a uniform day, 0.29; ordinary shapes are left alone."""
    steep = lifetime_from_logs(family, log_scale=math.log(700.0), log_shape=math.log(1e6))
    assert steep.quantile(0.84) - steep.quantile(0.16) > 0.29
    assert lifetime_from_logs(family, log_scale=math.log(700.0), log_shape=math.log(3.0)).shape == pytest.approx(3.0)
