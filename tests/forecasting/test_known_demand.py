"""Demand until days between known ones: exact where rates are steady, however uncertain, and what is refused."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.known_demand import KnownDemand
from tests.strategies import CI

COUNTS = np.arange(240)
PER_DAY = 0.04


def steady(day: float) -> FloatArray:
    return np.asarray(poisson.pmf(COUNTS, PER_DAY * day))


def uncertain(day: float) -> FloatArray:
    """Poisson counts whose rate is gamma, of shape 2 and mean 0.04 a day: negative binomial."""
    return np.asarray(nbinom.pmf(COUNTS, 2.0, 2.0 / (2.0 + PER_DAY * day)))


@pytest.mark.parametrize("of", [steady, uncertain])
@pytest.mark.parametrize("day", [5.0, 61.5, 100.0, 364.0])
def test_a_steady_rate_is_exact_also_if_it_is_not_known(of: Callable[[float], FloatArray], day: float) -> None:
    known = KnownDemand(ends=(60.0, 365.0), probabilities=(of(60.0), of(365.0)))
    made = known.over((0.0, day))
    # of the uncertain one until 365 days 3e-11 lie beyond 239 counts
    np.testing.assert_allclose(made.probabilities, of(day), atol=1e-9)
    assert made.mean == pytest.approx(PER_DAY * day, rel=1e-6)


def test_known_days_are_given_as_they_are() -> None:
    known = KnownDemand(ends=(60.0, 365.0), probabilities=(steady(60.0), steady(365.0)))
    assert known.over((0.0, 60.0)).probabilities is known.probabilities[0]


def test_beyond_the_last_day_the_rate_of_the_last_stretch_goes_on() -> None:
    known = KnownDemand(ends=(60.0, 365.0), probabilities=(steady(60.0), steady(365.0)))
    made = known.over((0.0, 500.0)).probabilities
    np.testing.assert_allclose(made[:80], poisson.pmf(np.arange(80), PER_DAY * 500.0), atol=1e-12)
    alone = KnownDemand(ends=(365.0,), probabilities=(steady(365.0),))
    assert alone.over((0.0, 500.0)).mean == pytest.approx(PER_DAY * 500.0)


def test_what_nobody_asks_for_stays_so() -> None:
    known = KnownDemand(ends=(60.0, 365.0), probabilities=(np.ones(1), np.ones(1)))
    assert known.over((0.0, 100.0)).mean == known.over((0.0, 900.0)).mean == 0.0


@CI
@given(days=st.tuples(st.floats(0.5, 800.0), st.floats(0.5, 800.0)), needed=st.lists(st.floats(0.0, 1.0), min_size=4))
def test_a_later_day_never_asks_for_fewer(days: tuple[float, float], needed: list[float]) -> None:
    """Known demand: valves that each need one kit, with a chance that grows until 60 and 365 days."""
    early, late = np.ones(1), np.ones(1)
    for chance in needed:
        early = np.convolve(early, [1.0 - 0.3 * chance, 0.3 * chance])
        late = np.convolve(late, [1.0 - chance, chance])
    known = KnownDemand(ends=(60.0, 365.0), probabilities=(np.asarray(early), np.asarray(late)))
    first, second = (known.over((0.0, day)).probabilities for day in sorted(days))
    places = max(len(first), len(second))
    below = [np.cumsum(np.pad(pmf, (0, places - len(pmf)))) for pmf in (first, second)]
    assert below[0][-1] == pytest.approx(1.0)
    assert (below[0] >= below[1] - 1e-9).all()


@pytest.mark.parametrize("window", [(1.0, 60.0), (0.0, 0.0), (0.0, -5.0), (0.0, np.inf), (0.0, np.nan)])
def test_windows_that_do_not_begin_now_are_refused(window: tuple[float, float]) -> None:
    known = KnownDemand(ends=(60.0,), probabilities=(steady(60.0),))
    with pytest.raises(InvalidInput, match="`window` must begin now and end later"):
        known.over(window)


@pytest.mark.parametrize("ends", [(), (0.0,), (60.0, 60.0), (60.0, 30.0)])
def test_days_out_of_order_are_refused(ends: tuple[float, ...]) -> None:
    with pytest.raises(InvalidInput, match="`ends` must be positive and in order"):
        KnownDemand(ends=ends, probabilities=tuple(steady(60.0) for _ in ends))
