"""Laws of the likelihood of lives: where a life is cut, and the unit of time, change nothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.fitting import fit_weibull, log_likelihood
from forecasting.lifetimes import Weibull
from forecasting.lives import Lives
from tests.strategies import CI, lives

YEAR = 365.25
LIFETIMES = (Weibull(scale=700.0, shape=0.7), Weibull(scale=900.0, shape=1.3), Weibull(scale=1500.0, shape=3.5))


def cut(whole: Lives, *, row: int, age: float) -> Lives:
    """Cut one life in two: censored at `age`, and entering there."""
    first = np.array([row])
    return Lives(
        samples=whole.samples,
        sample=np.append(whole.sample, whole.sample[first]),
        entry=np.append(np.where(np.arange(len(whole)) == row, age, whole.entry), whole.entry[first]),
        lower=np.append(whole.lower, age),
        upper=np.append(whole.upper, np.inf),
        cause=np.append(whole.cause, whole.cause.max() + 1),
    )


def in_years(whole: Lives) -> Lives:
    """Return the same lives told in years."""
    return replace(whole, entry=whole.entry / YEAR, lower=whole.lower / YEAR, upper=whole.upper / YEAR)


@CI
@given(whole=lives(), row=st.integers(0, 99), share=st.floats(0.0, 1.0))
def test_a_life_cut_outside_its_censoring_interval_has_the_same_likelihood(
    whole: Lives, row: int, share: float
) -> None:
    """Anywhere from entry to the lower age, of any life."""
    row %= len(whole)
    age = float(whole.entry[row] + share * (whole.lower[row] - whole.entry[row]))
    age = min(max(age, 1e-6), float(whole.lower[row]))
    in_two = cut(whole, row=row, age=age)
    assert log_likelihood(in_two, LIFETIMES) == pytest.approx(log_likelihood(whole, LIFETIMES), rel=1e-12, abs=1e-9)


@CI
@given(whole=lives())
def test_days_and_years_have_the_same_likelihood(whole: Lives) -> None:
    """But for the density's unit: each exact failure is per day or per year."""
    exact = len(set(whole.cause[whole.lower == whole.upper]))
    lifetimes = tuple(Weibull(scale=one.scale / YEAR, shape=one.shape) for one in LIFETIMES)
    years = log_likelihood(in_years(whole), lifetimes) - exact * np.log(YEAR)
    assert years == pytest.approx(log_likelihood(whole, LIFETIMES), rel=1e-12, abs=1e-9)


def test_days_and_years_have_the_same_fit() -> None:
    """The same status; the same shape; the scale told in the unit of the ages; 500 records fitted in one batch."""
    drawn: list[Lives] = []

    @CI
    @given(lives(min_causes=10, max_causes=20))
    def draw(one: Lives) -> None:
        drawn.append(one)

    draw()
    whole = side_by_side(drawn)
    for days, years in zip(fit_weibull(whole), fit_weibull(in_years(whole)), strict=True):
        assert years.status == days.status
        if days.lifetime is not None and years.lifetime is not None:
            assert years.lifetime.shape == pytest.approx(days.lifetime.shape, rel=1e-6)
            assert years.lifetime.scale * YEAR == pytest.approx(days.lifetime.scale, rel=1e-6)


def side_by_side(records: list[Lives]) -> Lives:
    """Put records that know nothing of each other into one, each with samples and causes of its own."""
    samples = np.cumsum([0, *(len(one.samples) for one in records)])
    causes = np.cumsum([0, *(one.cause.max() + 1 for one in records)])
    return Lives(
        samples=tuple((f"{name} {number}", item) for number, one in enumerate(records) for name, item in one.samples),
        sample=np.concatenate([one.sample + first for one, first in zip(records, samples, strict=False)]),
        entry=np.concatenate([one.entry for one in records]),
        lower=np.concatenate([one.lower for one in records]),
        upper=np.concatenate([one.upper for one in records]),
        cause=np.concatenate([one.cause + first for one, first in zip(records, causes, strict=False)]),
    )
