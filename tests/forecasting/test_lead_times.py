"""Cover times: moments in closed form, service levels against a fine integration, absurd times refused."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import pdtr
from scipy.stats import gamma

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.lead_times import LONGEST, NODES, CoverTimes, cover_times, cover_times_when_reached
from tests.strategies import CI

QUICK = settings(CI, max_examples=150)
LEADS, SPREADS, REVIEWS = st.floats(1.0, 300.0), st.floats(0.0, 1.0), st.floats(0.0, 120.0)


def moment(cover: CoverTimes, order: int) -> float:
    """Central moment of the cover time; of order 1 the mean."""
    mean = float(cover.weights @ cover.days)
    return mean if order == 1 else float(cover.weights @ (cover.days - mean) ** order)


def fine_cover(mean: float, spread: float, review: float) -> FloatArray:
    """Equally likely cover times, 1000 lead times by 20 waits: the obvious integration."""
    leads = gamma.ppf((np.arange(1000) + 0.5) / 1000, (mean / spread) ** 2, scale=spread**2 / mean)
    waits = (np.arange(20) + 0.5) / 20 * review
    return np.asarray(np.add.outer(leads, waits).ravel())


@QUICK
@given(lead=LEADS, share=SPREADS, review=REVIEWS)
def test_mean_and_variance_are_those_of_lead_time_plus_wait(lead: float, share: float, review: float) -> None:
    """L has the stated mean and spread, U is uniform: E = L + R / 2, variance = spread^2 + R^2 / 12."""
    cover = cover_times(lead_time=lead, lead_time_spread=share * lead, review_period=review)
    assert moment(cover, 1) == pytest.approx(lead + review / 2.0, rel=1e-5)
    assert moment(cover, 2) == pytest.approx((share * lead) ** 2 + review**2 / 12.0, rel=1e-3, abs=1e-9)


@QUICK
@given(lead=LEADS, share=st.floats(0.101, 1.0), review=REVIEWS)
def test_the_third_moment_is_that_of_a_gamma_lead_time(lead: float, share: float, review: float) -> None:
    """2 spread^4 / mean of the gamma, nothing from the uniform wait."""
    cover = cover_times(lead_time=lead, lead_time_spread=share * lead, review_period=review)
    spread = np.sqrt(moment(cover, 2))
    assert moment(cover, 3) / spread**3 == pytest.approx(2.0 * (share * lead) ** 4 / lead / spread**3, abs=3e-2)


@QUICK
@given(lead=LEADS, share=SPREADS, review=REVIEWS)
def test_few_positive_times_with_weights_that_sum_to_one(lead: float, share: float, review: float) -> None:
    cover = cover_times(lead_time=lead, lead_time_spread=share * lead, review_period=review)
    assert 1 <= len(cover.days) == len(cover.weights) <= NODES
    assert (cover.days > 0).all()
    assert (cover.weights > 0).all()
    assert cover.weights.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("lead", "spread", "review", "yearly", "points"),
    [
        (60.0, 12.0, 14.0, 80.0, 0.0005),
        (60.0, 15.0, 7.0, 180.0, 0.0005),
        (60.0, 30.0, 7.0, 36.0, 0.0005),
        (60.0, 30.0, 7.0, 180.0, 0.005),
        (90.0, 9.0, 30.0, 180.0, 0.0005),
        (60.0, 60.0, 30.0, 36.0, 0.005),
        (60.0, 60.0, 30.0, 180.0, 0.02),
    ],
)
def test_service_levels_agree_with_a_fine_integration(
    lead: float, spread: float, review: float, yearly: float, points: float
) -> None:
    """P(Poisson demand over L + U <= r) from 0.9 on, for kits of up to 180 a year; worst at a spread like the mean."""
    cover = cover_times(lead_time=lead, lead_time_spread=spread, review_period=review)
    fine = fine_cover(lead, spread, review)
    rate = yearly / 365.0
    levels = np.arange(int(rate * lead), int(rate * (lead + review + 8.0 * spread)))
    wanted = pdtr(levels[:, None], rate * fine).mean(axis=1)
    found = pdtr(levels[:, None], rate * cover.days) @ cover.weights
    assert np.abs(found - wanted)[wanted >= 0.9].max() < points


def test_a_sure_lead_time_always_looked_at_is_one_time() -> None:
    cover = cover_times(lead_time=60.0, lead_time_spread=0.0, review_period=0.0)
    assert (cover.days.tolist(), cover.weights.tolist()) == ([60.0], [1.0])


def test_a_spread_of_nothing_but_rounding_is_none() -> None:
    cover = cover_times(lead_time=60.0, lead_time_spread=1e-200, review_period=0.0)
    assert cover.days.tolist() == [60.0]


def test_without_a_lead_time_only_the_wait_is_left() -> None:
    cover = cover_times(lead_time=0.0, lead_time_spread=5.0, review_period=14.0)
    assert moment(cover, 1) == pytest.approx(7.0)
    assert cover.days.max() < 14.0


def test_a_long_tail_is_cut_at_ten_years() -> None:
    cover = cover_times(lead_time=1000.0, lead_time_spread=1000.0, review_period=7.0)
    assert cover.days.max() == LONGEST


@pytest.mark.parametrize(
    "times",
    [
        (-1.0, 0.0, 7.0),
        (60.0, -1.0, 7.0),
        (60.0, 0.0, -7.0),
        (0.0, 0.0, 0.0),
        (np.nan, 0.0, 7.0),
        (60.0, np.nan, 7.0),
        (60.0, np.inf, 7.0),
        (3600.0, 0.0, 51.0),
    ],
)
def test_times_that_can_not_be_are_refused(times: tuple[float, float, float]) -> None:
    lead, spread, review = times
    with pytest.raises(InvalidInput, match="times must be finite, not negative and together within"):
        cover_times(lead_time=lead, lead_time_spread=spread, review_period=review)


@pytest.mark.parametrize(("spread", "quantity"), [(0.0, 1), (0.0, 3), (12.0, 1), (30.0, 4)])
def test_waits_are_weighed_by_when_the_reorder_point_is_reached(spread: float, quantity: int) -> None:
    """Played: after a review the position is 1 to Q above r; from reaching r to the next review, plus a lead time."""
    times = {"lead_time": 60.0, "lead_time_spread": spread, "review_period": 30.0}
    got = cover_times_when_reached(cover_times(**times), rate=0.1, order_quantity=quantity, **times)
    rng = np.random.default_rng(quantity)
    above = rng.integers(1, quantity + 1, 400_000)
    reached = rng.gamma(above, 10.0)  # so many demands, 10 days apart on average
    waits = 30.0 - reached[reached < 30.0]
    leads = rng.gamma((60.0 / spread) ** 2, spread**2 / 60.0, len(waits)) if spread else 60.0
    played = waits + leads
    mean = float(got.days @ got.weights)
    assert mean == pytest.approx(played.mean(), abs=4.0 * played.std() / np.sqrt(len(played)) + 0.02)
    assert float((got.days - mean) ** 2 @ got.weights) == pytest.approx(played.var(), rel=0.02)


def test_rates_and_quantities_that_can_not_be_are_refused() -> None:
    times = {"lead_time": 60.0, "lead_time_spread": 0.0, "review_period": 30.0}
    cover = cover_times(**times)
    for rate, quantity in ((-0.1, 1), (0.1, 0)):
        with pytest.raises(InvalidInput, match="`rate` must not be negative"):
            cover_times_when_reached(cover, rate=rate, order_quantity=quantity, **times)
    assert cover_times_when_reached(cover, rate=0.0, order_quantity=1, **times).weights == pytest.approx(cover.weights)
