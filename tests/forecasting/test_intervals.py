"""Likelihood-ratio intervals: against slow profiles and closed forms, their laws, their reasons and their coverage."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize, minimize_scalar
from scipy.special import gamma

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.families import STANDARD, Family
from forecasting.fitting import fit_lifetimes, fit_weibull, log_likelihood
from forecasting.intervals import (
    Interval,
    Intervals,
    likelihood_intervals,
    shape_median_ratio,
    survival_band,
)
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.lives import Lives, lives_of_one_sample
from tests.benchmarks.study_intervals import Design, coverage, drawn
from tests.reference import life_data

LEVEL = 0.9
FALL = float(stats.chi2.ppf(LEVEL, 1))
NIST = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
SETS: Mapping[str, Callable[[], Lives]] = {
    "NIST 8.4.1.3, right-censored": lambda: lives_of_one_sample(
        lower=[*NIST, *10 * [500]], upper=[*NIST, *10 * [math.inf]]
    ),
    "bearing cage, 6 failures of 1703": life_data.bearing_cage,
    "shock absorber, right-censored": life_data.shock_absorber,
    "heat exchanger, left, interval, right": life_data.heat_exchanger,
    "Channing House men, entered late": lambda: life_data.channing_house("1"),
}
FAMILIES = [Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC]
STANDARDS = {Family.WEIBULL: stats.gumbel_l, Family.LOGNORMAL: stats.norm, Family.LOGLOGISTIC: stats.logistic}


def plain_log_likelihood(lives: Lives, family: Family, *, log_scale: float, shape: float) -> float:
    """Log-likelihood by scipy's standard distributions, term by term."""
    standard = STANDARDS[family]

    def z(age: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            return np.asarray(shape * (np.log(age) - log_scale))

    exact = lives.lower == lives.upper
    ended = standard.logpdf(z(lives.lower[exact])) + np.log(shape / lives.lower[exact])
    between = standard.sf(z(lives.lower[~exact])) - standard.sf(z(lives.upper[~exact]))
    with np.errstate(divide="ignore"):
        total = float(ended.sum() + np.log(between).sum() - standard.logsf(z(lives.entry)).sum())
    return max(total, -1e9)


def log_mean(family: Family, shape: float) -> float:
    """Log of the mean over the scale."""
    if family is Family.WEIBULL:
        return float(np.log(gamma(1.0 + 1.0 / shape)))
    if family is Family.LOGNORMAL:
        return 0.5 / shape**2
    return float(np.log(np.pi / shape / np.sin(np.pi / shape))) if shape > 1.0 else math.inf


def profile(lives: Lives, family: Family, at: Callable[[float], float], *, around: float) -> float:
    """Highest log-likelihood where log scale is this function of the shape."""
    lowest = 0.001 if math.isinf(at(1.0 - 1e-6)) else -3.0
    found = minimize_scalar(
        lambda log_shape: (
            -plain_log_likelihood(lives, family, log_scale=at(math.exp(log_shape)), shape=math.exp(log_shape))
        ),
        bounds=(max(lowest, math.log(around) - 1.5), math.log(around) + 1.5),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return -float(found.fun)


Height = Callable[[float], float]


def passing(age: float, height: Height) -> Height:
    """Log scale by shape, where log age less log scale is this function of the shape."""
    return lambda shape: math.log(age) - height(shape)


def quantile_height(z: float) -> Height:
    return lambda shape: z / shape


def profile_at_shape(lives: Lives, fitted: Fitted, shape: float) -> float:
    found = minimize_scalar(
        lambda log_scale: -plain_log_likelihood(lives, fitted.family, log_scale=log_scale, shape=shape),
        bounds=(math.log(fitted.scale) - 3.0, math.log(fitted.scale) + 6.0),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return -float(found.fun)


def deviances(lives: Lives, fitted: Fitted, found: Intervals, *, age: float) -> dict[str, list[float]]:
    """Deviance at both ends of every interval, by slow profiles."""
    family, shape, standard = fitted.family, fitted.shape, STANDARDS[fitted.family]
    heights: dict[str, Height] = {
        "scale": quantile_height(0.0),
        "b10": quantile_height(float(standard.ppf(0.1))),
        "median": quantile_height(float(standard.ppf(0.5))),
        "mean": partial(log_mean, family),
    }
    told = {
        name: [profile(lives, family, passing(end, height), around=shape) for end in ends_of(getattr(found, name))]
        for name, height in heights.items()
    }
    told["survival"] = [
        profile(lives, family, passing(age, quantile_height(float(standard.isf(end)))), around=shape)
        for end in ends_of(found.survival[0])
    ]
    told["shape"] = [profile_at_shape(lives, fitted, end) for end in ends_of(found.shape)]
    top = plain_log_likelihood(lives, family, log_scale=math.log(fitted.scale), shape=shape)
    return {name: [2.0 * (top - height) for height in both] for name, both in told.items()}


def ends_of(interval: Interval) -> list[float]:
    return [end for end in (interval.lower, interval.upper) if end is not None]


def intervals_of(lives: Lives, family: Family = Family.WEIBULL, *, age: float = 1.0, level: float = LEVEL) -> Intervals:
    found = likelihood_intervals(lives, fit_lifetimes(lives, family=family), level=level, ages=[age], excess=0.0)[0]
    assert found is not None
    return found


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("name", SETS)
def test_the_deviance_at_each_end_is_the_quantile_by_slow_profiles(name: str, family: Family) -> None:
    lives = SETS[name]()
    fitted = fit_lifetimes(lives, family=family)[0].lifetime
    assert fitted is not None
    age = fitted.quantile(0.05)
    found = intervals_of(lives, family, age=age)
    for quantity, both in deviances(lives, fitted, found, age=age).items():
        assert both == pytest.approx([FALL] * len(both), abs=2e-6), quantity
    for interval in (found.scale, found.shape, found.b10, found.median, *found.survival):
        assert interval.lower is not None
        assert interval.upper is not None
        assert interval.lower < interval.estimate < interval.upper  # type: ignore[operator]


def test_the_interval_of_a_lognormal_scale_is_students_in_disguise() -> None:
    """Complete and lognormal, the deviance of mu is n log(1 + t^2 / (n - 1)): a closed form."""
    ages = np.random.default_rng(1).lognormal(6.0, 0.7, 12)
    logs = np.log(ages)
    found = intervals_of(lives_of_one_sample(lower=ages, upper=ages), Family.LOGNORMAL)
    half = math.sqrt((len(ages) - 1) * math.expm1(FALL / len(ages)) / len(ages)) * logs.std(ddof=1)
    assert ends_of(found.scale) == pytest.approx([math.exp(logs.mean() - half), math.exp(logs.mean() + half)], rel=1e-9)
    assert found.median == found.scale


def masked_pair() -> Lives:
    """Two items in one class, a fifth of whose failures are one or the other's."""
    rng = np.random.default_rng(7)
    first, second = 900.0 * rng.weibull(2.5, 40), 1400.0 * rng.weibull(1.2, 40)
    end = np.minimum(np.minimum(first, second), 1200.0)
    masked = (np.arange(40) % 5 == 0) & (end < 1200.0)
    upper = np.stack([np.where((own == end) | masked, end, np.inf) for own in (first, second)])
    alone = np.arange(80).reshape(2, 40)
    return Lives(
        samples=(("", "packing"), ("", "trim")),
        sample=np.repeat([0, 1], 40),
        entry=np.zeros(80),
        lower=np.tile(end, 2),
        upper=upper.ravel(),
        cause=np.where(masked, alone[0], alone).ravel(),
    )


@pytest.mark.parametrize("item", [0, 1])
def test_masked_causes_move_the_other_items_parameters_too(item: int) -> None:
    lives = masked_pair()
    fits = fit_weibull(lives)
    lifetimes = [fit.lifetime for fit in fits]
    assert None not in lifetimes
    found = likelihood_intervals(lives, fits, level=LEVEL, excess=0.0)[item]
    assert found is not None
    logs = [math.log(value) for one in lifetimes if one is not None for value in (one.scale, one.shape)]
    top = log_likelihood(lives, [one for one in lifetimes if one is not None])

    def height(free: FloatArray, held: int, value: float) -> float:
        at = np.insert(np.exp(free), held, value)
        weibulls = [lifetime_of(Family.WEIBULL, scale=at[i], shape=at[i + 1]) for i in (0, 2)]
        return -log_likelihood(lives, weibulls)

    for place, interval in ((2 * item, found.scale), (2 * item + 1, found.shape)):
        for end in ends_of(interval):
            start = np.delete(logs, place)
            highest = minimize(height, start, (place, end), method="BFGS", options={"gtol": 1e-7})
            assert 2.0 * (top + highest.fun) == pytest.approx(FALL, abs=1e-5)


@pytest.mark.parametrize("family", Family)
def test_hours_and_years_give_the_same_interval(family: Family) -> None:
    lives = SETS["shock absorber, right-censored"]()
    hours = replace(lives, entry=24.0 * lives.entry, lower=24.0 * lives.lower, upper=24.0 * lives.upper)
    days, scaled = intervals_of(lives, family, age=9000.0), intervals_of(hours, family, age=24.0 * 9000.0)
    for name in ("scale", "b10", "median", "mean"):
        assert ends_of(getattr(scaled, name)) == pytest.approx([24.0 * end for end in ends_of(getattr(days, name))])
    assert ends_of(scaled.shape) == pytest.approx(ends_of(days.shape))
    assert ends_of(scaled.survival[0]) == pytest.approx(ends_of(days.survival[0]))


@pytest.mark.parametrize("family", FAMILIES)
def test_surer_is_wider_and_chances_stay_chances(family: Family) -> None:
    lives = SETS["heat exchanger, left, interval, right"]()
    levels = [intervals_of(lives, family, age=40.0, level=level) for level in (0.5, 0.9, 0.999)]
    for inner, outer in zip(levels, levels[1:], strict=False):
        for name in ("scale", "shape", "b10", "median"):
            assert getattr(outer, name).lower < getattr(inner, name).lower
            assert getattr(outer, name).upper > getattr(inner, name).upper
    ages = np.geomspace(1e-3, 1e5, 15)
    band = survival_band(lives, fit_lifetimes(lives, family=family), ages=ages[None], level=0.999)[0]
    assert ((band >= 0.0) & (band <= 1.0)).all()
    assert ((band[:, 1] <= band[:, 0]) & (band[:, 0] <= band[:, 2])).all()
    assert (np.diff(band, axis=0) <= 1e-12).all(), "survival falls with age, and so do its limits"


def test_samples_do_not_touch_each_other() -> None:
    every = drawn(Design(failures=8, censored=True), seeds=range(1, 21))
    fits = fit_weibull(every)
    together = likelihood_intervals(every, fits, ages=[0.5])
    for sample in (0, 7, 19):
        alone = likelihood_intervals(every.of_samples([sample]), [fits[sample]], ages=[0.5])[0]
        assert alone is not None
        assert together[sample] is not None
        for name in ("scale", "shape", "b10", "median", "mean"):
            assert ends_of(getattr(together[sample], name)) == pytest.approx(ends_of(getattr(alone, name)), rel=1e-9)


def test_a_sample_without_a_fit_has_no_interval() -> None:
    quiet = lives_of_one_sample(lower=[5.0, 9.0], upper=[math.inf, math.inf])
    assert likelihood_intervals(quiet, fit_weibull(quiet)) == (None,)
    assert np.isnan(survival_band(quiet, fit_weibull(quiet), ages=np.array([[1.0]]), level=LEVEL)).all()


def test_the_shape_of_an_exponential_is_given() -> None:
    found = intervals_of(SETS["bearing cage, 6 failures of 1703"](), Family.EXPONENTIAL)
    assert found.shape == Interval(
        estimate=1.0, lower=None, upper=None, reason="the shape of an exponential lifetime is given"
    )
    assert found.scale == found.mean


def test_an_infinite_mean_is_said_not_shown() -> None:
    """Heat exchanger: shapes below 1 aren't ruled out; heavier tails still: the estimate itself is below 1."""
    possible = intervals_of(SETS["heat exchanger, left, interval, right"](), Family.LOGLOGISTIC).mean
    assert possible.estimate is not None
    assert possible.lower is not None
    assert possible.upper is None
    ages = np.random.default_rng(3).pareto(0.6, 30)
    surely = intervals_of(lives_of_one_sample(lower=ages, upper=ages), Family.LOGLOGISTIC).mean
    assert (surely.estimate, surely.lower, surely.upper) == (None, None, None)
    for interval in (possible, surely):
        assert "infinite at shapes up to 1" in interval.reason


def test_a_limit_that_is_not_there_is_none_with_a_reason() -> None:
    """Looked at once each, at ages hardly apart: the likelihood levels off as the shape falls to 0."""
    ages = np.repeat([100.0, 110.0], 10)
    failed = np.tile([True, True, True, True, False], 4)
    failed[0] = False
    lives = lives_of_one_sample(lower=np.where(failed, 0.0, ages), upper=np.where(failed, ages, np.inf))
    found = intervals_of(lives)
    assert found.shape.lower is None
    assert found.shape.reason == "these lives set no lower limit"
    assert found.b10.lower is None


def test_wrong_questions_are_refused() -> None:
    lives = SETS["NIST 8.4.1.3, right-censored"]()
    fits = fit_weibull(lives)
    with pytest.raises(InvalidInput, match="`level` must lie between 0 and 1"):
        likelihood_intervals(lives, fits, level=90.0)
    with pytest.raises(InvalidInput, match="`ages` must be positive"):
        likelihood_intervals(lives, fits, ages=[0.0])
    with pytest.raises(InvalidInput, match="`fits` must be one per sample"):
        likelihood_intervals(lives, [])
    with pytest.raises(InvalidInput, match="`ages` must be positive"):
        survival_band(lives, fits, ages=np.array([[-1.0]]), level=LEVEL)


@pytest.mark.parametrize("failures", [5, 10, 20, 40])
def test_the_shape_is_overstated_as_the_closed_formula_says(failures: int) -> None:
    """Median of 4,000 samples; its standard error is about 1.25 sd / sqrt(4000)."""
    fits = fit_weibull(drawn(Design(failures=failures, censored=False), seeds=range(200_000, 204_000)))
    shapes = np.array([fit.lifetime.shape for fit in fits if fit.lifetime is not None])
    said = shape_median_ratio(failures)
    assert said is not None
    assert float(np.median(shapes)) == pytest.approx(said, abs=3.0 * 1.25 * shapes.std() / math.sqrt(4000))
    assert shape_median_ratio(2) is None


@pytest.mark.parametrize("censored", [False, True])
@pytest.mark.parametrize("failures", [10, 20])
def test_nine_in_ten_intervals_hold_the_truth(failures: int, censored: bool) -> None:
    """Seeds 1 to 400 in order; the bounds are those a coverage of 90 % leaves with probability 1 in 10,000."""
    counted = coverage(Design(failures=failures, censored=censored), seeds=range(1, 401))
    low, high = (float(stats.binom.ppf(p, 400, 0.9)) / 400 for p in (0.00005, 0.99995))
    for covered in (counted.scale, counted.shape):
        assert low <= covered <= high


def test_the_standard_quantiles_are_scipys() -> None:
    for family, standard in STANDARDS.items():
        assert STANDARD[family].quantile(0.1) == pytest.approx(float(standard.ppf(0.1)), rel=1e-12)
