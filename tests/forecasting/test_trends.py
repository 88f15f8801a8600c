"""Trend tests against published repair data, their size under a constant rate, and their laws."""

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from forecasting.errors import InvalidInput
from forecasting.trends import TrendTests, power_law, trend_tests
from tests.strategies import CI

QUICK = settings(CI, max_examples=100)
REFERENCE = Path(__file__).parents[1] / "reference"


def repairs(name: str) -> list[float]:
    with (REFERENCE / "repair_time_sets.csv").open(encoding="utf-8", newline="") as file:
        return [float(row["t"]) for row in csv.DictReader(file) if row["set"] == name]


def valve_seats() -> tuple[list[list[float]], list[float]]:
    """Give the replacements of each of the 41 engines, and how long it was watched."""
    failures, watched = defaultdict(list), {}
    with (REFERENCE / "valve_seat_nelson1995.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["status"] == "1":
                failures[row["id"]].append(float(row["time"]))
            else:
                watched[row["id"]] = float(row["time"])
    return [failures[engine] for engine in watched], list(watched.values())


def both_tests(failures: list[list[float]], watched: list[float]) -> TrendTests:
    tests = trend_tests(failures, watched=watched)
    assert tests is not None
    return tests


def test_nist_8_2_3_4_repairs_the_two_tests_disagree() -> None:
    """Ten repairs in 1500 h: chi-squared 37.23 (memory, reproduced), Laplace -1.326949 (computed twice)."""
    tests = both_tests([repairs("nist_apr_10")], [1500.0])
    assert tests.failures == 10
    assert tests.mil_hdbk_189 == pytest.approx(37.228081, abs=5e-7)
    assert tests.mil_hdbk_189_p == pytest.approx(0.0219727, abs=5e-8)
    assert tests.laplace == pytest.approx(-1.326949, abs=5e-7)
    assert tests.laplace_p == pytest.approx(0.184525, abs=5e-7)


def test_valve_seats_of_41_engines_come_ever_faster() -> None:
    """Pooled Laplace 2.378693, p 0.01737: computed, not printed (Nelson's 1995 data, seen)."""
    tests = both_tests(*valve_seats())
    assert tests.failures == 48
    assert tests.laplace == pytest.approx(2.378693, abs=5e-7)
    assert tests.laplace_p == pytest.approx(0.01737, abs=5e-6)


def test_mil_hdbk_189_appendix_c_shape_is_what_chi_squared_says() -> None:
    """27 failures in 300 h: shape 0.7163392624 (seen, secondary), and chi-squared is 2 n over the shape."""
    tests = both_tests([repairs("milhdbk189_1981_appC")], [300.0])
    assert 2 * 27 / tests.mil_hdbk_189 == pytest.approx(0.7163392624, abs=5e-11)


def test_modarres_example_5_11_watched_until_its_last_failure() -> None:
    """Laplace 2.409438 and shape 1.588053 (seen through a package): the failure that ends a watch isn't one in it."""
    times = repairs("modarres_ex5_11")
    tests = both_tests([times[:-1]], [times[-1]])
    assert tests.laplace == pytest.approx(2.409438, abs=5e-7)
    assert 2 * 30 / tests.mil_hdbk_189 == pytest.approx(1.588053, abs=5e-7)


@pytest.mark.parametrize("statistic", ["laplace_p", "mil_hdbk_189_p"])
def test_a_constant_rate_is_refused_as_often_as_the_level_says(statistic: str) -> None:
    """Three valves watched for different times, 1500 plants: rejections lie within the middle 99.9 % of binomial."""
    rng, plants, level = np.random.default_rng(189), 1500, 0.05
    watched = [3000.0, 5000.0, 9000.0]
    refused = 0
    for _ in range(plants):
        failures = [(days * rng.uniform(size=rng.poisson(days / 700.0))).tolist() for days in watched]
        tests = trend_tests(failures, watched=watched)
        refused += tests is not None and getattr(tests, statistic) < level
    low, high = (float(binom.ppf(tail, plants, level)) for tail in (0.0005, 0.9995))
    assert low <= refused <= high


@pytest.mark.parametrize("statistic", ["laplace_p", "mil_hdbk_189_p"])
def test_failures_ever_faster_are_noticed(statistic: str) -> None:
    """Rate growing with time (power law, shape 2), about 24 failures: at least four plants in five are noticed."""
    rng, noticed = np.random.default_rng(1981), 0
    for _ in range(200):
        failures = [(4000.0 * np.sqrt(rng.uniform(size=rng.poisson(8)))).tolist() for _ in range(3)]
        noticed += getattr(both_tests(failures, [4000.0] * 3), statistic) < 0.05
    assert noticed >= 160


@QUICK
@given(
    st.lists(st.lists(st.floats(1.0, 999.0), max_size=6), min_size=1, max_size=4).filter(lambda valves: any(valves)),
)
def test_time_read_backwards_turns_the_laplace_sign(failures: list[list[float]]) -> None:
    watched = [1000.0] * len(failures)
    there = both_tests(failures, watched)
    back = both_tests([[1000.0 - day for day in valve] for valve in failures], watched)
    assert back.laplace == pytest.approx(-there.laplace, abs=1e-9)
    assert back.laplace_p == pytest.approx(there.laplace_p, abs=1e-9)


@QUICK
@given(st.lists(st.lists(st.integers(1, 999), max_size=6), min_size=2, max_size=5))
def test_the_order_of_valves_and_failures_is_irrelevant(failures: list[list[int]]) -> None:
    watched = [1000.0 + number for number in range(len(failures))]
    pairs = list(zip(failures, watched, strict=True))
    again = [(valve[::-1], days) for valve, days in reversed(pairs)]
    first = trend_tests([valve for valve, _ in pairs], watched=[days for _, days in pairs])
    second = trend_tests([valve for valve, _ in again], watched=[days for _, days in again])
    assert (first is None) == (second is None)
    if first is not None and second is not None:
        assert second.laplace == pytest.approx(first.laplace, abs=1e-12)
        assert second.mil_hdbk_189 == pytest.approx(first.mil_hdbk_189, rel=1e-12)


def test_without_a_failure_there_is_nothing_to_test() -> None:
    assert trend_tests([[], []], watched=[100.0, 200.0]) is None
    assert trend_tests([], watched=[]) is None


def test_a_failure_on_the_first_day_counts_half_a_day_in() -> None:
    assert both_tests([[0.0]], [100.0]) == both_tests([[0.5]], [100.0])


def test_a_failure_at_the_end_of_a_watch_of_a_quarter_day_is_possible() -> None:
    tests = both_tests([[0.25]], [0.25])
    assert tests.mil_hdbk_189 == 0.0
    assert tests.mil_hdbk_189_p == 0.0


@pytest.mark.parametrize(
    ("failures", "watched", "said"),
    [
        ([[101.0]], [100.0], "`failures` must lie within `watched`"),
        ([[-1.0]], [100.0], "`failures` must lie within `watched`"),
        ([[np.nan]], [100.0], "`failures` must be one-dimensional without NaN"),
        ([[1.0]], [0.0], "`watched` must be positive and finite"),
        ([[1.0]], [np.inf], "`watched` must be positive and finite"),
        ([[1.0], [2.0]], [100.0], "columns must have one length"),
    ],
)
def test_what_can_not_be_is_refused(failures: list[list[float]], watched: list[float], said: str) -> None:
    with pytest.raises(InvalidInput, match=said):
        trend_tests(failures, watched=watched)


def test_valve_seats_follow_a_power_of_time_above_one() -> None:
    """41 engines watched for different times: 1.399579267, 553.643021 days (computed by two programs)."""
    failures, watched = valve_seats()
    law = power_law(failures, watched=watched)
    assert law is not None
    assert (law.shape, law.scale) == pytest.approx((1.399579267, 553.643021), rel=1e-8)
    assert (law.likelihood_ratio, law.p) == pytest.approx((4.924588, 0.02648), abs=5e-6)


def test_one_valve_has_the_closed_form_of_a_power_law() -> None:
    times = repairs("nist_apr_10")
    law = power_law([times], watched=[1500.0])
    assert law is not None
    shape = 10.0 / np.log(1500.0 / np.array(times)).sum()
    assert (law.shape, law.scale) == pytest.approx((shape, 1500.0 / 10.0 ** (1.0 / shape)), rel=1e-12)


@pytest.mark.parametrize(
    "failures", [[[], []], [[100.0], []]], ids=["no failure", "a failure at the end of the longest watch"]
)
def test_where_a_power_law_has_no_maximum_there_is_none(failures: list[list[float]]) -> None:
    assert power_law(failures, watched=[100.0, 50.0]) is None


def test_hours_for_days_leave_the_power() -> None:
    failures, watched = valve_seats()
    first = power_law(failures, watched=watched)
    hours = power_law([[24.0 * day for day in engine] for engine in failures], watched=[24.0 * day for day in watched])
    assert first is not None
    assert hours is not None
    assert (hours.shape, hours.scale) == pytest.approx((first.shape, 24.0 * first.scale), rel=1e-12)
