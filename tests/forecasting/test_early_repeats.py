"""Failures soon after a renewal: what counts and what doesn't."""

import numpy as np
import pytest

from forecasting.early_repeats import early_repeats
from forecasting.errors import InvalidInput
from forecasting.fitting import fit_weibull
from forecasting.lives import Lives, lives_of_one_sample

INF = np.inf


def test_failures_within_ninety_days_of_a_renewal_are_counted_apart_and_stay_in_the_fit() -> None:
    lives = lives_of_one_sample(lower=[20.0, 90.0, 91.0, 300.0], upper=[20.0, 90.0, 91.0, INF])
    found = early_repeats(lives)[0]
    assert (found.repeats, found.failures, found.renewals, found.share) == (2, 3, 4, 0.5)
    assert fit_weibull(lives)[0].failures == 3


@pytest.mark.parametrize(
    ("entry", "lower", "upper"),
    [(0.0, 0.0, 1.0), (30.0, 60.0, 60.0), (0.0, 60.0, 120.0), (0.0, 60.0, INF)],
    ids=["two renewals on one day", "entered late", "may have come later", "still running"],
)
def test_what_is_not_known_to_be_rework_is_not_called_so(entry: float, lower: float, upper: float) -> None:
    assert early_repeats(lives_of_one_sample(entry=[entry], lower=[lower], upper=[upper]))[0].repeats == 0


def test_an_interval_that_ends_in_time_counts_and_a_failure_whose_item_is_not_said_does_not() -> None:
    lives = Lives(
        samples=(("air", "packing"), ("air", "trim")),
        sample=np.array([0, 0, 1]),
        entry=np.zeros(3),
        lower=np.array([10.0, 40.0, 40.0]),
        upper=np.array([80.0, 40.0, 40.0]),
        cause=np.array([1, 2, 2]),
    )
    assert [one.repeats for one in early_repeats(lives)] == [1, 0]


def test_without_a_life_from_its_first_day_the_share_is_nought() -> None:
    assert early_repeats(lives_of_one_sample(entry=[30.0], lower=[60.0], upper=[INF]))[0].share == 0.0


def test_early_must_be_some_days() -> None:
    with pytest.raises(InvalidInput, match="`within` must be positive, got 0"):
        early_repeats(lives_of_one_sample(lower=[1.0], upper=[1.0]), within=0.0)
