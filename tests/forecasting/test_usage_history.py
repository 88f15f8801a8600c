"""Issue histories: patterns and rates against cut-offs and another package, the distribution against simulation."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom

from forecasting.arrays import IntArray
from forecasting.errors import InvalidInput
from forecasting.usage_history import Method, net_issues, usage_demand, usage_forecast
from forecasting.usage_rates import Pattern, croston, sba, tsb, usage_pattern
from tests.strategies import CI

REFERENCE = Path(__file__).parents[1] / "reference"
TOY = np.array([0, 0, 3, 0, 0, 0, 2, 0, 1, 0, 0, 4, 0, 0, 0, 0, 2, 0, 3, 0, 0, 1, 0, 0])
HISTORIES = st.lists(st.integers(0, 4), min_size=1, max_size=60)


def part_x() -> IntArray:
    """The 51 months of one car part."""
    return np.loadtxt(REFERENCE / "partx.csv", skiprows=1, dtype=np.int64)


@pytest.mark.parametrize(
    ("history", "expected"),
    [
        pytest.param(part_x(), (0.6283341600, 0.5969174520, 0.6823731230, 0.6905857973), id="partx-computed-twice"),
        pytest.param(TOY, (0.8486976906, 0.8062628061, 0.6876886994, 0.6198598128), id="toy-computed-twice"),
    ],
)
def test_rates_equal_those_of_another_package(history: IntArray, expected: tuple[float, ...]) -> None:
    """As statsforecast 2.1.1 gives them to 13 digits; the last smooths sizes by 0.2 and the chance by 0.1."""
    ours = croston(history), sba(history), tsb(history), tsb(history, smoothing=0.2)
    assert ours == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("history", "pattern"),
    [
        ([1, 2, 1, 2, 1, 2], Pattern.SMOOTH),
        ([1, 0, 1, 0, 1, 0], Pattern.INTERMITTENT),
        ([1, 9, 1, 1, 1, 1], Pattern.ERRATIC),
        ([1, 0, 9, 0, 1, 0], Pattern.LUMPY),
        ([0, 0, 5, 0], Pattern.SINGLE),
        ([0, 0], Pattern.NONE),
    ],
)
def test_patterns_by_interval_and_evenness(history: list[int], pattern: Pattern) -> None:
    """Cut-offs 1.32 and 0.49: Syntetos, Boylan & Croston (2005), seen in a package's documentation."""
    assert usage_pattern(history).pattern is pattern


def test_the_cut_offs_belong_to_the_longer_interval_and_the_more_uneven_sizes() -> None:
    """Interval of exactly 33 / 25 = 1.32 is intermittent; sizes 1 and 3.0... with a variance of 0.49 are uneven."""
    assert usage_pattern([1] * 25 + [0] * 8).pattern is Pattern.INTERMITTENT
    assert usage_pattern([1] * 25 + [0] * 7).pattern is Pattern.SMOOTH


def test_car_parts_come_intermittently_or_in_lumps() -> None:
    """Of 2,509 complete series none is smooth or erratic (computed, both divisors); so none of the first twenty is."""
    series = np.loadtxt(REFERENCE / "carparts_first20_complete.csv", skiprows=1, delimiter=",", dtype=np.int64)
    patterns = {usage_pattern(column).pattern for column in series.T}
    assert patterns <= {Pattern.INTERMITTENT, Pattern.LUMPY, Pattern.SINGLE}
    assert Pattern.INTERMITTENT in patterns


def test_an_empty_history_gives_the_wide_answer_of_half_a_demand() -> None:
    """Jeffreys' posterior of a Poisson rate after n empty months: negative binomial with shape 1/2."""
    forecast = usage_forecast([0] * 24)
    pmf = usage_demand(forecast, periods=6.0)
    assert forecast.method is Method.PLAIN
    assert pmf[:4] == pytest.approx(nbinom.pmf(np.arange(4), 0.5, 24 / 30), abs=1e-12)


def test_one_demand_counts_as_one_and_a_half() -> None:
    assert usage_forecast([0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0]).rate == pytest.approx(1.5 / 12)


def test_use_that_ended_is_forecast_to_die_out() -> None:
    """Ten demands in 20 months, then 40 without: TSB falls below a tenth of SBA, which never looks."""
    history = [1, 0] * 10 + [0] * 40
    forecast = usage_forecast(history)
    assert forecast.method is Method.TSB
    assert forecast.rate < 0.1 * sba(history)


@CI
@given(history=HISTORIES, periods=st.floats(0.1, 30.0))
def test_the_distribution_sums_to_one_and_has_the_mean_of_the_rate(history: list[int], periods: float) -> None:
    forecast = usage_forecast(history)
    pmf = usage_demand(forecast, periods=periods)
    assert pmf.sum() == pytest.approx(1.0, abs=1e-12)
    assert (pmf >= 0).all()
    assert pmf @ np.arange(len(pmf)) == pytest.approx(forecast.rate * periods, rel=1e-6)


def test_the_distribution_is_that_of_simulated_demands_under_a_gamma_rate() -> None:
    """200,000 futures drawn one by one; total variation below 1 % (their own noise is about half of that)."""
    forecast, rng = usage_forecast(TOY), np.random.default_rng(5)
    sizes = forecast.sizes / forecast.sizes.sum()
    mean_size = float(sizes @ np.arange(1, len(sizes) + 1))
    rates = rng.gamma(forecast.demands, forecast.rate / mean_size / forecast.demands, size=200_000)
    numbers = rng.poisson(6.0 * rates)
    drawn = rng.choice(np.arange(1, len(sizes) + 1), p=sizes, size=int(numbers.sum()))
    totals = np.bincount(np.repeat(np.arange(len(numbers)), numbers), weights=drawn, minlength=len(numbers))
    pmf = usage_demand(forecast, periods=6.0)
    seen = np.bincount(totals.astype(np.int64), minlength=len(pmf))[: len(pmf)] / len(totals)
    assert 0.5 * np.abs(seen - pmf).sum() < 0.01


def test_the_prediction_covers_where_a_plugged_in_rate_falls_short() -> None:
    """As much ahead as was seen, level 95 %: a plugged-in rate attains 84 to 88 % (own simulation), ours 95."""
    rng = np.random.default_rng(11)
    covered, plugged = [], []
    for _ in range(400):
        history, after = rng.poisson(0.3, 36), rng.poisson(0.3 * 36)
        forecast = usage_forecast(history)
        covered.append(after <= np.searchsorted(np.cumsum(usage_demand(forecast, periods=36.0)), 0.95))
        plugged.append(after <= np.searchsorted(np.cumsum(_poisson(forecast.rate * 36)), 0.95))
    assert np.mean(covered) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)
    assert np.mean(plugged) < 0.88


def _poisson(mean: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Poisson probabilities of 0 to 99."""
    counts = np.arange(100)
    logs = counts * np.log(mean) - mean - np.concatenate(([0.0], np.cumsum(np.log(counts[1:]))))
    return np.asarray(np.exp(logs))


@pytest.mark.parametrize(
    ("issues", "net"), [([3, 0, 2, -3, 1], [2, 0, 0, 0, 1]), ([-2, 3], [0, 3]), ([1, -1, -1, 2], [0, 0, 0, 2])]
)
def test_returns_are_taken_from_the_latest_issues_before_them(issues: list[int], net: list[int]) -> None:
    assert net_issues(issues).tolist() == net


@pytest.mark.parametrize(
    ("history", "words"), [([], "at least one period"), ([1, -1], "must not be negative"), ([[1]], "one-dimensional")]
)
def test_a_history_that_can_not_be_is_refused(history: list[int], words: str) -> None:
    with pytest.raises(InvalidInput, match=words):
        usage_forecast(history)


def test_rates_need_a_demand_and_windows_a_length() -> None:
    with pytest.raises(InvalidInput, match="needs a demand"):
        croston([0, 0])
    with pytest.raises(InvalidInput, match="above 0"):
        usage_demand(usage_forecast([1, 0]), periods=0.0)
