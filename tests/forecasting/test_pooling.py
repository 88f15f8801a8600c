"""Which lifetime a class is forecast with: its own lives and, the fewer they are, the more the other classes."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.fitting import Fit, fit_weibull
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.pooling import InUse, Source, lifetimes_in_use, scale_without_failures

YEAR = 365.25
CLASSES = 12


def plant(rng: np.random.Generator, log_scales: Sequence[float], shapes: Sequence[float], *, days: float) -> Lives:
    """Lives of 15 valves a class, of known ages when watching begins, watched for so many days, renewed on failure."""
    rows: list[tuple[int, float, float, float]] = []
    for sample, (log_scale, shape) in enumerate(zip(log_scales, shapes, strict=True)):
        scale = float(np.exp(log_scale))
        for age in rng.uniform(0.0, scale, 15):
            entry, left = float(age), days
            while left > 0:
                life = scale * ((entry / scale) ** shape + rng.exponential()) ** (1.0 / shape)
                failed = life - entry <= left
                end = life if failed else entry + left
                rows.append((sample, entry, end, end if failed else np.inf))
                left, entry = left - (end - entry), 0.0
    sample_, entry_, lower, upper = np.array(rows).T
    return Lives(
        samples=tuple((f"class {number:02d}", "trim") for number in range(len(log_scales))),
        sample=sample_.astype(np.int64),
        entry=entry_,
        lower=lower,
        upper=upper,
        cause=np.arange(len(rows)),
    )


def drawn(seed: int, *, days: float) -> tuple[Lives, FloatArray]:
    """A plant of 12 classes: scales spread by 45 %, shapes around 2 by 15 %; and its true log medians."""
    rng = np.random.default_rng(seed)
    log_scales = rng.normal(np.log(6 * YEAR), 0.45, CLASSES)
    shapes = np.exp(rng.normal(np.log(2.0), 0.15, CLASSES))
    return plant(rng, list(log_scales), list(shapes), days=days), log_scales + np.log(np.log(2.0)) / shapes


def many(seeds: range, *, days: float) -> tuple[Lives, FloatArray]:
    """Plants side by side, each an item of its own; and all true log medians."""
    drawn_plants = [drawn(seed, days=days) for seed in seeds]
    parts = [lives for lives, _ in drawn_plants]
    whole = Lives(
        samples=tuple(
            (name, f"trim {seed}") for seed, one in zip(seeds, parts, strict=True) for name, _ in one.samples
        ),
        sample=np.concatenate([one.sample + CLASSES * place for place, one in enumerate(parts)]),
        entry=np.concatenate([one.entry for one in parts]),
        lower=np.concatenate([one.lower for one in parts]),
        upper=np.concatenate([one.upper for one in parts]),
        cause=np.arange(sum(len(one) for one in parts)),
    )
    return whole, np.concatenate([truth for _, truth in drawn_plants])


def in_use(lives: Lives) -> tuple[InUse, ...]:
    return lifetimes_in_use(lives, wanted=lives.samples)


def log_median(one: InUse | Fit) -> float:
    """Log of the median life, which means the same in every family; NaN where there is no lifetime."""
    return float("nan") if one.lifetime is None else float(np.log(one.lifetime.quantile(0.5)))


def root_mean_square(errors: FloatArray) -> float:
    return float(np.sqrt(np.nanmean(errors**2)))


@pytest.mark.parametrize(("days", "failures"), [(0.9 * YEAR, 2.6), (1.9 * YEAR, 5.7), (4.2 * YEAR, 13.0)])
def test_leaning_on_the_pool_beats_own_fits_and_one_pool(days: float, failures: float) -> None:
    """Seeds 0 to 11 in order; own fits are judged only where there are any, so they are flattered."""
    lives, truth = many(range(12), days=days)
    fits = fit_weibull(lives)
    assert np.mean([fit.failures for fit in fits]) == pytest.approx(failures, rel=0.15)
    one_pool = replace(lives, samples=tuple(("", f"{seed}") for seed in range(12)), sample=lives.sample // CLASSES)
    leaning = np.array([log_median(one) for one in in_use(lives)]) - truth
    errors = {
        "own": root_mean_square(np.array([log_median(fit) for fit in fits]) - truth),
        "leaning": root_mean_square(leaning),
        "one pool": root_mean_square(np.repeat([log_median(fit) for fit in fit_weibull(one_pool)], CLASSES) - truth),
    }
    assert np.isfinite(leaning).all(), "no degenerate fit"
    assert errors["leaning"] <= 1.03 * min(errors["own"], errors["one pool"]), errors


def test_the_pool_says_less_the_more_a_class_says_itself() -> None:
    lives, _ = drawn(1, days=8.0 * YEAR)
    rows = np.flatnonzero(lives.sample != 3)
    third = np.flatnonzero(lives.sample == 3)[:4]
    keep = np.sort(np.concatenate([rows, third]))
    cut = Lives(
        samples=lives.samples,
        sample=lives.sample[keep],
        entry=lives.entry[keep],
        lower=lives.lower[keep],
        upper=lives.upper[keep],
        cause=lives.cause[keep],
    )
    shares = [one.pool_share for one in in_use(cut)]
    assert shares[3] == max(shares) > 0.2
    assert min(shares) < 0.2
    assert {one.source for one in in_use(cut)} <= {Source.OWN, Source.SHARED}
    assert "of the scale comes from the other classes" in in_use(cut)[3].reason


def test_a_class_with_forty_failures_speaks_for_itself() -> None:
    rng = np.random.default_rng(7)
    lives = plant(rng, [np.log(900.0), np.log(4000.0), np.log(4000.0)], [2.5, 2.0, 2.0], days=6 * YEAR)
    busy = in_use(lives)[0]
    own = fit_weibull(lives)[0]
    assert own.failures >= 40
    assert (busy.source, busy.reason) == (Source.OWN, "")
    assert log_median(busy) == pytest.approx(log_median(own), abs=0.05)


def test_a_class_without_failures_gets_what_its_survival_leaves_possible() -> None:
    lives, _ = drawn(2, days=3.0 * YEAR)
    quiet = 600.0 * np.ones(8)
    more = Lives(
        samples=(*lives.samples, ("quiet", "trim")),
        sample=np.append(lives.sample, np.full(8, CLASSES)),
        entry=np.append(lives.entry, np.zeros(8)),
        lower=np.append(lives.lower, quiet),
        upper=np.append(lives.upper, np.full(8, np.inf)),
        cause=np.append(lives.cause, len(lives) + np.arange(8)),
    )
    one = in_use(more)[-1]
    assert one.source is Source.POOL
    years = 8 * 600.0 / YEAR
    assert f"0 failures in {years:.4g} valve-years, mean rate below 0.23 a year (95 %)" in one.reason
    assert 0.22 < -np.log(0.05) / years < 0.23, "rounded up, so that it stays a limit"
    assert one.lifetime is not None
    shape = one.lifetime.shape
    least = (8 * 600.0**shape / -np.log(0.05)) ** (1 / shape)
    assert f" if constant; scale above {least:.0f} days (95 %) if the shape is {shape:.2g}: the rest" in one.reason
    others = [log_median(other) for other in in_use(more)[:-1]]
    assert np.mean(others) < log_median(one) < max(others) + 1.0, "longer than the usual class, but no dream"


@pytest.mark.parametrize(
    ("ages", "shape", "confidence", "scale"),
    [(10 * [1000.0], 2.0, 0.90, 2083.9733), (5 * [500.0] + 3 * [1200.0], 3.0, 0.632, 1797.8270)],
    ids=["ten to 1000, computed", "five to 500 and three to 1200, computed"],
)
def test_survival_alone_bounds_the_scale(ages: list[float], shape: float, confidence: float, scale: float) -> None:
    """By hand: (sum of age^shape / -log(1 - confidence))^(1 / shape), to the digits given."""
    lives = lives_of_one_sample(lower=ages, upper=[np.inf] * len(ages))
    found = scale_without_failures(lives, shape=np.array([shape]), confidence=confidence)
    assert found == pytest.approx([scale], abs=5e-5)


def test_survival_bounds_nothing_after_a_failure_and_needs_a_confidence() -> None:
    lives = lives_of_one_sample(lower=[5.0, 6.0], upper=[5.0, np.inf])
    assert np.isnan(scale_without_failures(lives, shape=np.ones(1), confidence=0.9)).all()
    with pytest.raises(InvalidInput, match=r"`confidence` must lie in \(0, 1\), got 1.0"):
        scale_without_failures(lives, shape=np.ones(1), confidence=1.0)


def test_a_class_without_lives_gets_the_pool_and_an_item_without_any_nothing() -> None:
    lives, _ = drawn(3, days=2.0 * YEAR)
    unseen, unknown = lifetimes_in_use(lives, wanted=[("new", "trim"), ("new", "packing")])
    assert (unseen.source, unseen.pool_share, unseen.fit) == (Source.POOL, 1.0, None)
    centre = np.mean([log_median(one) for one in in_use(lives)])
    assert log_median(unseen) == pytest.approx(centre, abs=0.1)
    assert unseen.log_scale_sd is not None
    assert unseen.log_scale_sd > 0.2
    assert (unknown.source, unknown.lifetime, unknown.pool_share) == (Source.UNKNOWN, None, 1.0)


def test_a_class_alone_leans_on_a_guess_and_says_so() -> None:
    rng = np.random.default_rng(4)
    (one,) = in_use(plant(rng, [np.log(6 * YEAR)], [2.0], days=0.5 * YEAR))
    assert "a weak starting guess, there being no other class" in one.reason
    assert "the other classes" not in one.reason


def test_nothing_watched_is_nothing_known() -> None:
    empty = Lives(
        samples=(),
        sample=np.zeros(0, dtype=np.int64),
        entry=np.zeros(0),
        lower=np.zeros(0),
        upper=np.zeros(0),
        cause=np.zeros(0, dtype=np.int64),
    )
    assert lifetimes_in_use(empty, wanted=[("a", "trim")])[0].source is Source.UNKNOWN


def test_the_posterior_is_as_wide_as_it_should_be() -> None:
    """Half of the classes lie within 0.674 standard deviations: binomial, 240 classes, 4 standard errors."""
    lives, truth = many(range(20, 40), days=1.9 * YEAR)
    chosen = in_use(lives)
    sd = np.array([one.log_scale_sd for one in chosen], dtype=np.float64)
    within = np.abs(np.array([log_median(one) for one in chosen]) - truth) < 0.674 * sd
    assert np.mean(within) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(len(within)))


def test_days_or_years_give_the_same_lifetimes() -> None:
    lives, _ = drawn(5, days=2.0 * YEAR)
    in_years = Lives(
        samples=lives.samples,
        sample=lives.sample,
        entry=lives.entry / YEAR,
        lower=lives.lower / YEAR,
        upper=lives.upper / YEAR,
        cause=lives.cause,
    )
    for days, years in zip(in_use(lives), in_use(in_years), strict=True):
        assert days.lifetime is not None
        assert years.lifetime is not None
        assert years.lifetime.shape == pytest.approx(days.lifetime.shape, rel=1e-3)
        assert years.lifetime.scale * YEAR == pytest.approx(days.lifetime.scale, rel=1e-3)


def test_an_item_follows_the_family_its_classes_agree_on() -> None:
    """Lognormal lives, 300 of them: AIC finds the family, and says by how much."""
    rng = np.random.default_rng(11)
    ages = np.exp(rng.normal(np.log(800.0), 0.6, 300))
    lives = Lives(
        samples=(("a", "trim"), ("b", "trim")),
        sample=np.repeat([0, 1], 150),
        entry=np.zeros(300),
        lower=ages,
        upper=ages,
        cause=np.arange(300),
    )
    one = in_use(lives)[0]
    assert one.choice is not None
    assert one.choice.family is Family.LOGNORMAL
    assert one.choice.difference is not None
    assert one.choice.difference > 0
    assert one.lifetime is not None
    assert one.lifetime.shape == pytest.approx(1 / 0.6, rel=0.1)
