"""Curves without a lifetime distribution: computed and published values, the likelihood's own conditions, laws."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.arrays import FloatArray
from forecasting.errors import InsufficientData, InvalidInput
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.nonparametric import FailedByAge, dies_out_at, failed_by_age, steady_age
from tests.strategies import CI
from tests.strategies import lives as any_lives

QUICK = settings(CI, max_examples=150)
REFERENCE = Path(__file__).parents[1] / "reference"
NIST = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def residents(gender: str) -> Lives:
    """Channing House, months; the four who left at the age they entered are no lives."""
    kept = [row for row in rows("channing_house.csv") if row["gender"] == gender and row["age"] != row["ageentry"]]
    age = np.array([float(row["age"]) for row in kept])
    died = np.array([row["death"] == "1" for row in kept])
    entry = [float(row["ageentry"]) for row in kept]
    return lives_of_one_sample(entry=entry, lower=age, upper=np.where(died, age, np.inf))


def survival(curve: FailedByAge, age: float) -> float:
    """Share alive after an age."""
    return float(np.concatenate([[1.0], 1.0 - curve.failed])[np.searchsorted(curve.age, age, side="right")])


def test_nist_8_4_1_3_product_limit() -> None:
    """Ten failures, ten running at 500 h: 0.95, 0.90 .. 0.50 (computed with another program)."""
    curve = failed_by_age(lives_of_one_sample(lower=[*NIST, *[500] * 10], upper=[*NIST, *[np.inf] * 10]))
    assert 1.0 - curve.failed == pytest.approx(np.arange(0.95, 0.49, -0.05))
    assert list(curve.age) == list(NIST)


def test_meeker_escobar_heat_exchanger_plant_1_grouped_lives() -> None:
    """1, 2 and 2 of 100 tubes found at three yearly inspections: 1/100, 3/100, 5/100 (seen), binomial errors."""
    plant = [row for row in rows("heat_exchanger.csv") if row["plant"] == "Plant1"]
    count = [int(row["count"]) for row in plant]
    left = np.repeat([0.0 if row["event"] == "Left" else float(row["lower"]) for row in plant], count)
    right = np.repeat([np.inf if row["event"] == "Right" else float(row["upper"]) for row in plant], count)
    curve = failed_by_age(lives_of_one_sample(lower=left, upper=right))
    assert curve.failed == pytest.approx([0.01, 0.03, 0.05], abs=1e-9)
    share = curve.failed
    error = np.sqrt(share * (1 - share) / 100) / ((1 - share) * -np.log1p(-share))
    assert curve.upper == pytest.approx(1 - np.exp(np.log1p(-share) * np.exp(1.9599639845 * error)), abs=1e-7)


@pytest.mark.parametrize(
    ("gender", "expected"),
    [("1", (1.0, 0.804531, 0.637761, 0.454373, 0.222707)), ("2", (0.934689, 0.864933, 0.740808, 0.500420, 0.293995))],
    ids=["computed-channing-men", "computed-channing-women"],
)
def test_channing_house_given_survival_to_68_years(gender: str, expected: tuple[float, ...]) -> None:
    curve = failed_by_age(residents(gender), survived_to=816.0)
    assert [survival(curve, age) for age in (840, 900, 960, 1020, 1080)] == pytest.approx(expected, abs=5e-7)


def test_channing_house_men_die_out_early_and_that_is_said() -> None:
    """One man is under watch at 781 months and dies; without the trap the share failed would be 1 from there."""
    with pytest.raises(InsufficientData, match="all under watch at age 781 fail while others enter later"):
        failed_by_age(residents("1"))
    assert dies_out_at(residents("1")) == steady_age(residents("1")) == 781.0
    assert dies_out_at(residents("1"), survived_to=781.0) == dies_out_at(residents("2")) == np.inf
    assert steady_age(residents("2")) == 0.0
    assert failed_by_age(residents("1"), survived_to=781.0).failed[-1] < 1.0


def test_limits_end_where_everything_at_risk_failed() -> None:
    curve = failed_by_age(lives_of_one_sample(lower=[3.0, 5.0], upper=[3.0, 5.0]))
    assert curve.failed == pytest.approx([0.5, 1.0])
    assert list(np.isnan(curve.upper)) == [False, True]


def test_without_a_failure_there_is_no_step() -> None:
    assert len(failed_by_age(lives_of_one_sample(lower=[3.0], upper=[np.inf])).age) == 0


def test_a_failure_whose_item_is_not_said_counts_as_still_running() -> None:
    shared = Lives(
        samples=(("", ""),),
        sample=np.zeros(3, dtype=np.int64),
        entry=np.zeros(3),
        lower=np.array([5.0, 7.0, 9.0]),
        upper=np.array([5.0, 7.0, 9.0]),
        cause=np.array([1, 1, 2]),
    )
    assert list(failed_by_age(shared).age) == [9.0]


@pytest.mark.parametrize(
    ("survived_to", "level", "message"), [(-1.0, 0.9, "`survived_to` must not"), (0.0, 1.0, "`level` must lie")]
)
def test_impossible_arguments_are_refused(survived_to: float, level: float, message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        failed_by_age(lives_of_one_sample(lower=[3.0], upper=[3.0]), survived_to=survived_to, level=level)


def test_lives_of_several_samples_are_refused() -> None:
    two = Lives(
        samples=(("a", "x"), ("b", "x")),
        sample=np.array([0, 1]),
        entry=np.zeros(2),
        lower=np.ones(2),
        upper=np.ones(2),
        cause=np.arange(2),
    )
    for function in (failed_by_age, steady_age):
        with pytest.raises(InvalidInput, match="`lives` must be of one sample, got 2"):
            function(two)


def slow_product_limit(lives: Lives) -> dict[float, float]:
    """Multiply the shares that survive each age, life by life; entering late counts from after the entry."""
    alive, curve = 1.0, {}
    for age in sorted({float(upper) for upper in lives.upper if np.isfinite(upper)}):
        watched = sum(entry < age <= lower for entry, lower in zip(lives.entry, lives.lower, strict=True))
        alive *= 1.0 - sum(lives.upper == age) / watched
        curve[age] = alive
    return curve


@QUICK
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 12), st.booleans()), min_size=1, max_size=12))
def test_exact_lives_give_the_product_limit(watches: list[tuple[int, int, bool]]) -> None:
    """Ties between entries, failures and ends as the convention has them: enter after, end after."""
    entry = np.array([float(begin) for begin, _, _ in watches])
    age = entry + np.array([float(length) for _, length, _ in watches])
    failed = np.array([ends for _, _, ends in watches])
    lives = lives_of_one_sample(entry=entry, lower=age, upper=np.where(failed, age, np.inf))
    start = steady_age(lives)
    try:
        curve = failed_by_age(lives, survived_to=start)
    except InsufficientData:  # dies out later still, in a risk set that isn't exceeded again
        return
    slow = {age: share for age, share in slow_product_limit(lives).items() if age > start}
    base = slow_product_limit(lives).get(start, 1.0)
    if base > 0:
        assert dict(zip(curve.age, 1 - curve.failed, strict=True)) == pytest.approx(
            {age: share / base for age, share in slow.items()}, abs=1e-9
        )


def log_likelihood(lives: Lives, ends: FloatArray, mass: FloatArray) -> float:
    """Log-likelihood of chances at given ages; entering and lower ages are exclusive, upper ones inclusive."""
    total = 0.0
    for entry, lower, upper in zip(lives.entry, lives.lower, lives.upper, strict=True):
        inside = (ends == lower) if lower == upper else (ends > lower) & (ends <= upper)
        total += np.log(mass[inside].sum()) - np.log(mass[ends > entry].sum())
    return total


def spread_over(curve: FailedByAge, support: FloatArray) -> FloatArray:
    """Chance at each age of a support, what never fails at the last."""
    mass = np.zeros(len(support))
    np.add.at(mass, np.searchsorted(support, curve.age), np.diff(curve.failed, prepend=0.0))
    mass[-1] += 1.0 - curve.failed[-1] if len(curve.failed) else 1.0
    return mass


@QUICK
@given(any_lives(min_causes=2))
def test_no_other_distribution_is_likelier(lives: Lives) -> None:
    """Chance moved to any single age gains nothing; the likelihood is concave, so it is the maximum."""
    own = lives.of_samples([int(lives.sample[0])])
    own = lives_of_one_sample(entry=own.entry, lower=own.lower, upper=own.upper)
    try:
        curve = failed_by_age(own)
    except InsufficientData:
        return
    seen = np.concatenate([own.entry, own.lower, own.upper[np.isfinite(own.upper)]])
    support = np.unique(np.concatenate([seen, seen + 0.5, [1e9]]))
    mass = spread_over(curve, support)
    best = log_likelihood(own, support, mass)
    for other in np.eye(len(support)):
        moved = log_likelihood(own, support, 0.999 * mass + 0.001 * other)
        assert moved <= best + 1e-6


def test_a_hundred_lives_of_yearly_inspections_follow_the_truth() -> None:
    """Simulated: 2,000 lives, late entry; the largest distance lies within the 99.9 % band of a sample that size."""
    rng = np.random.default_rng(74)
    age = 2000.0 * rng.weibull(2.0, 6000)
    entry = np.where(rng.random(6000) < 0.4, rng.uniform(0.0, 1500.0, 6000), 0.0)
    seen = age > entry
    age, entry = age[seen][:2000], entry[seen][:2000]
    phase = rng.uniform(0.0, 365.0, 2000)
    lower = np.maximum(entry, 365.0 * np.floor((age - phase) / 365.0) + phase)
    curve = failed_by_age(lives_of_one_sample(entry=entry, lower=lower, upper=np.maximum(lower + 1e-9, lower + 365.0)))
    truth = -np.expm1(-((curve.age / 2000.0) ** 2.0))
    assert np.abs(curve.failed - truth).max() < 0.08
