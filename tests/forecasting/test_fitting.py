"""Maximum-likelihood fits against published values, an independent optimiser, and sets that have no maximum."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from forecasting.fitting import Fit, FitStatus, fit_weibull, log_likelihood
from forecasting.lifetimes import Weibull
from forecasting.lives import Lives, lives_of_one_sample
from tests.reference import slow
from tests.reference.life_data import (
    all_residents,
    ball_bearings,
    bearing_cage,
    channing_house,
    heat_exchanger,
    new_at_entry,
    shock_absorber,
    small_set,
    valve_seats,
)

INF = math.inf


@dataclass(frozen=True, kw_only=True)
class Published:
    """What a source says, with the tolerances of its digits."""

    lives: Callable[[], Lives]
    size: int
    scale: float
    shape: float
    log_likelihood: float
    scale_within: float
    shape_within: float
    log_likelihood_within: float = 5e-6

    @classmethod
    def relative(
        cls, lives: Callable[[], Lives], size: int, scale: float, shape: float, log_likelihood: float, within: float
    ) -> "Published":
        """Both parameters to one relative tolerance."""
        return cls(
            lives=lives,
            size=size,
            scale=scale,
            shape=shape,
            log_likelihood=log_likelihood,
            scale_within=scale * within,
            shape_within=shape * within,
        )


PUBLISHED = {
    "NIST/SEMATECH e-Handbook 8.4.1.3 (seen)": Published(
        lives=lambda: small_set("nist_8_4_1_3"),
        size=20,
        scale=606.5280,
        shape=1.7208,
        log_likelihood=-75.135,
        scale_within=5e-4,
        shape_within=5e-5,
        log_likelihood_within=5e-4,
    ),
    "New Weibull Handbook C.5 (seen in a secondary source)": Published(
        lives=lambda: small_set("nwh_c5"),
        size=7,
        scale=4900.1,
        shape=2.257,
        log_likelihood=-45.852276,
        scale_within=0.05,
        shape_within=5e-4,
    ),
    "New Weibull Handbook C.5, more digits (computed)": Published.relative(
        lambda: small_set("nwh_c5"), 7, 4900.1057, 2.257043, -45.852276, 1e-6
    ),
    "New Weibull Handbook Fig. 2-5 by maximum likelihood (computed)": Published.relative(
        lambda: small_set("nwh_fig2_5"), 8, 87.956292, 3.017019, -25.131040, 1e-6
    ),
    "Bearing cage, Abernethy et al. 1983 (data seen, fit from memory and computed)": Published.relative(
        bearing_cage, 1703, 11792.177, 2.035319, -76.436896, 1e-6
    ),
    "Shock absorber, Meeker & Escobar 1998 (data seen, fit from memory and computed)": Published.relative(
        shock_absorber, 38, 27718.718, 3.160470, -123.995361, 1e-6
    ),
    "Ball bearings, Lieblein & Zelen 1956 (data seen, fit from memory and computed)": Published.relative(
        ball_bearings, 23, 81.874558, 2.101847, -113.691959, 1e-6
    ),
    "Heat exchanger tubes, Meeker & Escobar (data seen, fit computed by three programs)": Published.relative(
        heat_exchanger, 300, 23.6199, 1.34552, -54.414705, 1e-5
    ),
    "Channing House with entry (data seen, fit computed by three programs)": Published.relative(
        all_residents, 458, 86.977935, 8.832367, -648.126115, 1e-6
    ),
    "Channing House, men (data seen, fit computed by three programs)": Published.relative(
        lambda: channing_house("1"), 96, 80.736638, 6.280103, -160.445191, 1e-6
    ),
    "Channing House, women (data seen, fit computed by three programs)": Published.relative(
        lambda: channing_house("2"), 362, 88.097030, 9.522065, -484.790759, 1e-6
    ),
    "Channing House, entry ignored: wrong on purpose (computed)": Published.relative(
        new_at_entry, 458, 91.015479, 14.606967, -727.531003, 1e-6
    ),
}


def only(lives: Lives) -> Fit:
    """The fit of a single sample."""
    (fit,) = fit_weibull(lives)
    return fit


def fitted(fit: Fit) -> Weibull:
    """The lifetime of a fit that has one."""
    assert fit.status is FitStatus.FITTED
    assert isinstance(fit.lifetime, Weibull)
    return fit.lifetime


@pytest.mark.parametrize("published", PUBLISHED.values(), ids=PUBLISHED.keys())
def test_published_fits_are_met(published: Published) -> None:
    """Both parameters and the log-likelihood, to the digits printed or computed."""
    lives = published.lives()
    lifetime = fitted(only(lives))
    assert len(lives) == published.size
    assert lifetime.scale == pytest.approx(published.scale, abs=published.scale_within)
    assert lifetime.shape == pytest.approx(published.shape, abs=published.shape_within)
    value = log_likelihood(lives, (lifetime,))
    assert value == pytest.approx(published.log_likelihood, abs=published.log_likelihood_within)


def test_mean_life_of_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3 (seen): 540.737."""
    assert fitted(only(small_set("nist_8_4_1_3"))).mean == pytest.approx(540.737, abs=5e-4)


def test_b10_life_of_the_bearing_cage() -> None:
    """Meeker & Escobar 1998 (3903 from memory; 3903.127 computed)."""
    assert fitted(only(bearing_cage())).quantile(0.1) == pytest.approx(3903.127, rel=1e-6)


def test_ignoring_the_entry_makes_a_life_too_long() -> None:
    """The mutant is told apart: a scale 4.6 % and a shape 65 % too large."""
    right, wrong = fitted(only(all_residents())), fitted(only(new_at_entry()))
    assert wrong.scale / right.scale == pytest.approx(1.0464, abs=1e-4)
    assert wrong.shape / right.shape == pytest.approx(1.6538, abs=1e-4)


SECOND_OPINION: dict[str, Callable[[], Lives]] = {
    "valve seats": valve_seats,
    "four failures at 3, lives censored at 1, 2, 5 and 6": lambda: lives_of_one_sample(
        lower=[3.0] * 4 + [1.0, 2.0, 5.0, 6.0], upper=[3.0] * 4 + [INF] * 4
    ),
    "all kinds at once": lambda: lives_of_one_sample(
        entry=[0.0, 0.0, 300.0, 250.0, 0.0, 400.0, 100.0, 0.0],
        lower=[200.0, 500.0, 450.0, 250.0, 0.0, 900.0, 350.0, 650.0],
        upper=[200.0, INF, 450.0, 600.0, 150.0, INF, 520.0, 650.0],
    ),
}


@pytest.mark.parametrize("lives", SECOND_OPINION.values(), ids=SECOND_OPINION.keys())
def test_an_independent_optimiser_finds_the_same_maximum(lives: Callable[[], Lives]) -> None:
    """A simplex on a likelihood written life by life; its own error is about 1e-8."""
    seen = lives()
    causes = [
        [(0, float(entry), float(lower), float(upper))]
        for entry, lower, upper in zip(seen.entry, seen.lower, seen.upper, strict=True)
    ]
    scale, shape = slow.highest(lambda at: slow.log_likelihood(causes, [(at[0], at[1])]), [400.0, 1.0])
    lifetime = fitted(only(seen))
    assert lifetime.scale == pytest.approx(scale, rel=1e-6)
    assert lifetime.shape == pytest.approx(shape, rel=1e-6)


def test_valve_seats_of_41_engines() -> None:
    """Nelson 1995 (data seen): 48 replacements, two on one day; shape and scale computed, not published."""
    fit = only(valve_seats())
    lifetime = fitted(fit)
    assert (fit.failures, fit.right_censored, fit.interval_censored, fit.exposure) == (48, 41, 2, 25363.0)
    assert lifetime.shape == pytest.approx(0.888, abs=5e-4)
    assert lifetime.scale == pytest.approx(546.6, abs=5e-2)


def test_four_failures_on_one_day_amid_longer_lives_have_a_fit() -> None:
    """Some programs refuse it; the maximum is inside (shape computed)."""
    assert fitted(only(SECOND_OPINION["four failures at 3, lives censored at 1, 2, 5 and 6"]())).shape == pytest.approx(
        2.48, abs=5e-3
    )


WITHOUT_MAXIMUM = {
    "no failure": ([0, 0], [5, 9], [INF, INF], FitStatus.NO_FAILURES),
    "one failure, the largest age": ([0, 0, 0], [5, 9, 11], [INF, INF, 11], FitStatus.AT_LARGEST_AGE),
    "one failure, nothing else": ([0], [7], [7], FitStatus.AT_LARGEST_AGE),
    "all failures on one day": ([0, 0, 0], [7, 7, 7], [7, 7, 7], FitStatus.AT_LARGEST_AGE),
    "a failure at the age of the oldest survivor": ([0, 0], [7, 7], [7, INF], FitStatus.AT_LARGEST_AGE),
    "a failure with an interval around it": ([0, 0], [7, 5], [7, 9], FitStatus.AT_LARGEST_AGE),
    "a failure before lives that entered later": ([5, 13, 9], [8, 13, 9], [8, 80, 99], FitStatus.AT_LARGEST_AGE),
    "one interval": ([0, 0], [3, 4], [6, INF], FitStatus.ONE_COMMON_AGE),
    "intervals with an age in common": ([0, 0, 0], [2, 3, 1], [6, 9, 4], FitStatus.ONE_COMMON_AGE),
    "an interval that ends at the oldest survivor": ([0, 0], [3, 6], [6, INF], FitStatus.ONE_COMMON_AGE),
    "everything left-censored": ([0, 0], [0, 0], [5, 9], FitStatus.ONE_COMMON_AGE),
    "everything left-censored at entry": ([4, 7], [4, 7], [5, 9], FitStatus.ONE_COMMON_AGE),
    "failed at once or never": ([0, 0, 0], [0, 100, 100], [1, INF, INF], FitStatus.SHAPE_TO_ZERO),
    "failed just after entry or never": (
        [5, 5, 5, 5],
        [5.1, 5.2, 99, 99],
        [5.1, 5.2, INF, INF],
        FitStatus.SHAPE_TO_ZERO,
    ),
    "failures sooner after entry than the watch allows": (
        [10, 10, 20],
        [11, 30, 40],
        [11, INF, INF],
        FitStatus.SHAPE_TO_ZERO,
    ),
    "two failures a second apart": ([0, 0], [500, 500.001], [500, 500.001], FitStatus.SHAPE_TO_INFINITY),
}


@pytest.mark.parametrize(("entry", "lower", "upper", "status"), WITHOUT_MAXIMUM.values(), ids=WITHOUT_MAXIMUM.keys())
def test_what_has_no_maximum_has_a_reason_and_no_number(
    entry: Sequence[float], lower: Sequence[float], upper: Sequence[float], status: FitStatus
) -> None:
    """Never a silent wrong number."""
    fit = only(lives_of_one_sample(entry=entry, lower=lower, upper=upper))
    assert fit.status is status
    assert fit.lifetime is None
    assert fit.reason


def test_one_failure_amid_longer_lives_has_a_fit() -> None:
    """Few failures are no reason to refuse: one at 10, others censored at 5 and 12."""
    ages = [10.0] + [5.0] * 10 + [12.0] * 9
    lifetime = fitted(only(lives_of_one_sample(lower=ages, upper=[10.0] + [INF] * 19)))
    causes = [[(0, 0.0, age, 10.0 if age == 10.0 else INF)] for age in ages]
    scale, shape = slow.highest(lambda at: slow.log_likelihood(causes, [(at[0], at[1])]), [15.0, 2.0])
    assert (lifetime.scale, lifetime.shape) == pytest.approx((scale, shape), rel=1e-6)


@pytest.mark.parametrize(
    "unit", [1.0 / 365.25, 24.0, 86400.0, 4e-6, 1e-9], ids=["years", "hours", "seconds", "tiny", "any"]
)
@pytest.mark.parametrize("lives", [all_residents, heat_exchanger, valve_seats], ids=["entry", "interval", "seats"])
def test_the_unit_of_time_leaves_the_shape(lives: Callable[[], Lives], unit: float) -> None:
    """And rescales the scale."""
    told = lives()
    first = fitted(only(told))
    other = fitted(only(replace(told, entry=told.entry * unit, lower=told.lower * unit, upper=told.upper * unit)))
    assert other.shape == pytest.approx(first.shape, rel=1e-12)
    assert other.scale == pytest.approx(first.scale * unit, rel=1e-12)


def random_samples(rng: np.random.Generator, samples: int) -> Lives:
    """Samples of all sizes, kinds and shapes, some without a maximum."""
    sample = np.sort(rng.integers(0, samples, 5 * samples))
    shape, scale = rng.uniform(0.6, 4.0, samples)[sample], rng.uniform(10.0, 5000.0, samples)[sample]
    low, high = np.sort(scale * rng.weibull(shape, (2, len(sample))), axis=0)
    kind = rng.integers(0, 4, len(sample))
    return Lives(
        samples=tuple(("air", f"item {number:02}") for number in range(samples)),
        sample=sample,
        entry=np.where(kind == 3, low * 0.5, 0.0),
        lower=low,
        upper=np.choose(kind, [low, np.full(len(low), INF), high, low]),
        cause=np.arange(len(sample)),
    )


def test_a_batch_gives_what_each_sample_gives_alone() -> None:
    """60 samples at once and one by one."""
    lives = random_samples(np.random.default_rng(20), 60)
    together = fit_weibull(lives)
    alone = [only(lives.of_samples([number])) for number in range(60)]
    assert [fit.status for fit in together] == [fit.status for fit in alone]
    assert {fit.status for fit in together} > {FitStatus.FITTED}
    for one, other in zip(together, alone, strict=True):
        if one.lifetime and other.lifetime:
            assert one.lifetime.shape == pytest.approx(other.lifetime.shape, rel=1e-11)
            assert one.lifetime.scale == pytest.approx(other.lifetime.scale, rel=1e-11)


def test_fits_are_a_sequence_of_the_fits_of_each_sample() -> None:
    """By place, from the end, in part; beyond the end there is none."""
    lives = Lives(
        samples=(("air", "packing"), ("air", "trim")),
        sample=np.array([0, 0, 1, 1]),
        entry=np.zeros(4),
        lower=np.array([100.0, 200.0, 300.0, 300.0]),
        upper=np.array([100.0, INF, INF, INF]),
        cause=np.arange(4),
    )
    fits = fit_weibull(lives)
    assert len(fits) == 2
    assert [fit.item for fit in fits] == ["packing", "trim"]
    assert (fits[-1], fits[0]) == (fits[1], fits[:1][0])
    assert (fits[0].failures, fits[1].failures, fits[1].reason) == (1, 0, "no failure was observed")
    with pytest.raises(IndexError, match="out of range"):
        fits[2]
