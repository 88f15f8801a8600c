"""Which lifetime a class is forecast with: its own, a borrowed shape with its own scale, all borrowed, or none."""

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from forecasting.fitting import FitStatus, fit_weibull
from forecasting.lifetimes import Weibull
from forecasting.lives import Lives
from forecasting.pooling import OWN_FAILURES, PRIOR_FAILURES, InUse, Source, _scale_at, lifetimes_in_use

CAGE = Path(__file__).parents[1] / "reference" / "bearing_cage.csv"
AGES = (310.0, 480.0, 620.0, 700.0, 850.0, 930.0, 1010.0, 1200.0)
Life = tuple[float, float, float]
"""Entry, lower and upper age."""


def exact(*ages: float) -> list[Life]:
    return [(0.0, age, age) for age in ages]


def running(*ages: float) -> list[Life]:
    return [(0.0, age, np.inf) for age in ages]


def plant(*, masked: Sequence[tuple[int, int]] = (), **classes: list[Life]) -> Lives:
    """Lives of the trim by service class; `masked` pairs rows that share a cause."""
    rows = [(number, *life) for number, lives in enumerate(classes.values()) for life in lives]
    sample, entry, lower, upper = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    cause = np.arange(len(rows))
    for first, second in masked:
        cause[second] = cause[first]
    return Lives(
        samples=tuple((service_class, "trim") for service_class in classes),
        sample=sample.astype(np.int64),
        entry=entry,
        lower=lower,
        upper=upper,
        cause=cause,
    )


def in_use(lives: Lives, service_class: str, item: str = "trim") -> InUse:
    (one,) = lifetimes_in_use(lives, wanted=[(service_class, item)])
    assert (one.service_class, one.item) == (service_class, item)
    return one


def used(one: InUse) -> Weibull:
    assert isinstance(one.lifetime, Weibull)
    return one.lifetime


def pooled_shape(lives: Lives) -> float:
    """Shape over all classes: one sample of every life."""
    together = Lives(
        samples=(("", "trim"),),
        sample=np.zeros(len(lives), dtype=np.int64),
        entry=lives.entry,
        lower=lives.lower,
        upper=lives.upper,
        cause=lives.cause,
    )
    (fit,) = fit_weibull(together)
    assert fit.lifetime is not None
    return fit.lifetime.shape


def test_from_five_failures_on_a_class_speaks_for_itself() -> None:
    lives = plant(wet=exact(*AGES[:OWN_FAILURES]), dry=exact(*(3.0 * age for age in AGES)))
    one = in_use(lives, "wet")
    own = next(fit for fit in fit_weibull(lives) if fit.service_class == "wet")
    assert (one.source, one.pool_share, one.reason) == (Source.OWN, 0.0, "")
    assert one.lifetime == own.lifetime == (one.fit and one.fit.lifetime)


def test_below_five_the_shape_is_that_of_the_item_over_all_classes() -> None:
    """And the scale that of its own exposure at this shape, with half a failure added."""
    lives = plant(wet=exact(*AGES[:4]) + running(1500.0), dry=exact(*AGES))
    one = in_use(lives, "wet")
    shape = pooled_shape(lives)
    spent = sum(age**shape for age in (*AGES[:4], 1500.0))
    assert one.source is Source.SHAPE_BORROWED
    assert used(one).shape == pytest.approx(shape, rel=1e-9)
    assert used(one).scale == pytest.approx((spent / 4.5) ** (1.0 / shape), rel=1e-9)
    assert one.pool_share == pytest.approx(0.5 / 4.5)
    assert one.reason == (
        "only 4 failures; shape of the item over all classes, scale from 4 failures in 9.88 valve-years "
        "and half a failure"
    )


@pytest.mark.parametrize(("shape", "scale"), [(1.5, 28982.157), (2.0, 12320.337), (3.0, 5408.951)])
def test_bearing_cage_with_a_given_shape(shape: float, scale: float) -> None:
    """(sum t^shape / 6)^(1 / shape), closed form, computed: 6 failures, told as 5.5 because half a one is added."""
    with CAGE.open(encoding="utf-8", newline="") as file:
        rows = [(float(row["hours"]), row["event"] == "Failed", int(row["count"])) for row in csv.DictReader(file)]
    cage = plant(cage=[life for hours, failed, n in rows for life in (exact if failed else running)(*[hours] * n)])
    (fit,) = fit_weibull(cage)
    assert (len(cage), fit.failures) == (1703, 6)
    given_shape = _scale_at(cage, fit, shape, 6 - PRIOR_FAILURES)
    assert given_shape.scale == pytest.approx(scale, abs=5e-4)
    assert given_shape.shape == shape


def test_time_before_entry_is_not_exposure() -> None:
    """Watched from 400 to 900 of age: at shape 1 two lives of 500 days each."""
    lives = plant(wet=[(400.0, 900.0, np.inf), (400.0, 900.0, np.inf)])
    assert used(in_use(lives, "wet")).scale == pytest.approx(1000.0 / PRIOR_FAILURES)


def test_an_interval_counts_to_its_middle() -> None:
    lives = plant(wet=[(0.0, 100.0, 300.0), (0.0, 800.0, np.inf)])
    assert used(in_use(lives, "wet")).scale == pytest.approx((200.0 + 800.0) / 1.5)


def test_masked_failures_are_shared_out_among_those_they_may_have_ended() -> None:
    """Two causes, each of two lives: one failure each, and said so."""
    lives = plant(wet=exact(300.0, 500.0), dry=exact(300.0, 500.0), masked=[(0, 2), (1, 3)])
    one = in_use(lives, "wet")
    assert used(one).scale == pytest.approx(800.0 / 1.5)
    assert one.pool_share == pytest.approx(0.5 / 1.5)
    assert one.fit is not None
    assert (one.fit.failures, one.fit.masked) == (0, 2)
    assert one.reason.endswith(" from 1 failure in 2.19 valve-years and half a failure")


def test_a_fit_with_masked_lives_says_that_only_some_items_are_known() -> None:
    """Four known failures and one masked: fitted, yet below the limit of failures whose item is known."""
    lives = plant(wet=exact(*AGES[:5]), dry=exact(*AGES), masked=[(4, 9)])
    one = in_use(lives, "wet")
    assert one.fit is not None
    assert one.fit.status is FitStatus.FITTED
    assert one.source is Source.SHAPE_BORROWED
    assert one.reason.startswith("only 4 failures whose item is known; shape of the item over all classes, ")
    assert "scale from 4.5 failures in " in one.reason


def test_a_class_without_failures_says_in_how_many_valve_years() -> None:
    """Zero failures still give a usable, wide answer, longer than any class with failures."""
    lives = plant(calm=running(3652.5, 3652.5), wet=exact(*AGES))
    one = in_use(lives, "calm")
    shape = pooled_shape(lives)
    assert one.pool_share == 1.0
    assert used(one).scale == pytest.approx((2 * 3652.5**shape / 0.5) ** (1.0 / shape), rel=1e-9)
    assert one.reason == (
        "no failure was observed; shape of the item over all classes, scale from 0 failures in 20 valve-years "
        "and half a failure"
    )


def test_an_item_that_never_failed_anywhere_has_a_constant_rate() -> None:
    lives = plant(calm=running(1000.0, 1000.0), wet=running(500.0))
    one = in_use(lives, "calm")
    assert used(one) == Weibull(scale=4000.0, shape=1.0)
    assert one.source is Source.SHAPE_BORROWED
    assert one.reason == (
        "no failure was observed; no fit over all classes either: constant rate from 0 failures in 5.48 valve-years "
        "and half a failure"
    )


def test_a_pool_of_few_failures_lends_no_shape() -> None:
    """Four failures in all: a constant rate, from the class's own."""
    lives = plant(wet=exact(300.0, 500.0), dry=exact(400.0, 900.0))
    constant = used(in_use(lives, "wet"))
    assert constant.shape == 1.0
    assert constant.scale == pytest.approx(800.0 / 2.5)


def test_a_class_whose_failures_are_all_at_one_age_borrows() -> None:
    """Seven failures, but no maximum of its own: the reason says which."""
    lives = plant(odd=exact(*[500.0] * 7), wet=exact(*AGES))
    one = in_use(lives, "odd")
    assert one.source is Source.SHAPE_BORROWED
    assert one.reason.startswith("every failure is at the largest age observed: the likelihood grows without limit; ")
    assert used(one).shape == pytest.approx(pooled_shape(lives), rel=1e-9)


def test_a_class_nothing_of_which_was_watched_borrows_everything() -> None:
    """One life of no days: no exposure of its own."""
    lives = plant(new=[(0.0, 0.0, 1.0)], wet=exact(*AGES))
    one = in_use(lives, "new")
    assert (one.source, one.pool_share) == (Source.ALL_BORROWED, 1.0)
    assert used(one).shape == pytest.approx(pooled_shape(lives), rel=1e-9)
    assert one.reason.endswith("; nothing was watched")


def test_nothing_watched_and_nothing_to_borrow_is_not_known() -> None:
    one = in_use(plant(new=[(0.0, 0.0, 1.0)]), "new")
    assert (one.source, one.lifetime, one.pool_share) == (Source.UNKNOWN, None, 1.0)


def test_a_class_without_lives_borrows_all_of_its_item() -> None:
    lives = plant(wet=exact(*AGES))
    one = in_use(lives, "never seen")
    assert (one.source, one.fit, one.pool_share) == (Source.ALL_BORROWED, None, 1.0)
    assert used(one) == used(in_use(lives, "wet"))
    assert one.reason == "no life of this class could be watched"


def test_an_item_nobody_ever_saw_is_not_known() -> None:
    one = in_use(plant(wet=exact(*AGES)), "wet", "positioner")
    assert (one.source, one.lifetime, one.fit) == (Source.UNKNOWN, None, None)


def test_a_plant_without_lives_knows_nothing() -> None:
    assert in_use(plant(), "wet").source is Source.UNKNOWN


def test_answers_come_in_the_order_they_are_wanted() -> None:
    lives = plant(wet=exact(*AGES), dry=exact(*AGES[:3]))
    wanted = [("dry", "trim"), ("none", "trim"), ("wet", "trim")]
    assert [(one.service_class, one.item) for one in lifetimes_in_use(lives, wanted=wanted)] == wanted


def test_years_instead_of_days_only_change_the_scale() -> None:
    lives = plant(wet=exact(*AGES[:3]) + running(1500.0), dry=exact(*AGES))
    years = Lives(
        samples=lives.samples,
        sample=lives.sample,
        entry=lives.entry / 365.25,
        lower=lives.lower / 365.25,
        upper=lives.upper / 365.25,
        cause=lives.cause,
    )
    for service_class in ("wet", "dry"):
        day, year = used(in_use(lives, service_class)), used(in_use(years, service_class))
        assert year.shape == pytest.approx(day.shape, rel=1e-6)
        assert year.scale == pytest.approx(day.scale / 365.25, rel=1e-6)
