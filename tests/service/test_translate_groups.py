"""Groups within a class and failures of a place, in the words and numbers a failure model shows."""

from dataclasses import replace
from math import log
from typing import Any, cast

import pytest

from forecasting.clocks import Watch
from forecasting.heterogeneity import GroupContrast
from service.translate_groups import seen_within_classes

NORTH = GroupContrast(
    service_class="BRINE",
    item="trim",
    grouping="area",
    group="NORTH",
    lives=40,
    failures=18,
    rest_failures=25,
    hazard_ratio=2.4512345,
    lower=1.512345,
    upper=3.98765,
    p=0.00012,
    p_holm=0.0091,
)
WATCHES = [
    Watch(valve="A", item="trim", service_class="BRINE", begin=100, end=1100, failures=(200, 500)),
    Watch(valve="B", item="trim", service_class="BRINE", begin=0, end=800, failures=(400,)),
    Watch(valve="C", item="trim", service_class="AIR", begin=0, end=800, failures=()),
]


def test_a_group_that_stands_out_is_named_with_its_limits_and_the_number_of_comparisons() -> None:
    like = replace(NORTH, grouping="design", group="D1", p=0.4, p_holm=1.0)
    told = seen_within_classes([NORTH, like], WATCHES)["BRINE", "trim"]
    assert told.warnings == (
        "Area NORTH fails 2.5 times as often as the rest of the class at the same age (95 % limits 1.5 to 4; 18 of its "
        "40 lives failed). The forecast treats the class as one: consider a service class of its own "
        "(p = 0.0091, corrected for 2 comparisons in this run).",
    )
    groups = cast(list[dict[str, Any]], told.details["groups"])
    assert [one["hazard_ratio"] for one in groups] == [2.451, 2.451]
    assert groups[1]["p_corrected"] == 1.0


def test_of_a_group_better_than_the_rest_nothing_is_said_but_in_the_table() -> None:
    """The rest may look worse only for a bad group in it."""
    told = seen_within_classes([replace(NORTH, hazard_ratio=0.5, lower=0.3, upper=0.8)], WATCHES)["BRINE", "trim"]
    assert told.warnings == ()
    assert len(cast(list[object], told.details["groups"])) == 1


def test_a_limit_that_was_not_found_is_said_to_be_unknown() -> None:
    (warning,) = seen_within_classes([replace(NORTH, upper=float("nan"))], WATCHES)["BRINE", "trim"].warnings
    assert "(95 % limits 1.5 to not known;" in warning


def test_failures_add_up_place_by_place_by_days_watched() -> None:
    curve = cast(dict[str, Any], seen_within_classes([], WATCHES)["BRINE", "trim"].details["mean_cumulative"])
    assert curve["columns"] == ["days_watched", "places", "mean", "lower", "upper"]
    assert [point[:3] for point in curve["points"]] == [[100.0, 2.0, 0.5], [400.0, 2.0, 1.5]]
    assert all(lower < mean < upper for _, _, mean, lower, upper in curve["points"][:1])


def test_where_nothing_failed_there_is_no_curve_and_nothing_to_warn_of() -> None:
    told = seen_within_classes([], WATCHES)["AIR", "trim"]
    assert "mean_cumulative" not in told.details
    assert (told.details["groups"], told.warnings) == ([], ())


def test_the_power_of_time_that_failures_follow_is_given() -> None:
    """It solves 3 / b + sum log t = 3 sum T^b log T / sum T^b; the check is by hand."""
    power = cast(float, seen_within_classes([], WATCHES)["BRINE", "trim"].details["power_law_shape"])
    weights = [1000.0**power, 800.0**power]
    mean_log = (weights[0] * log(1000.0) + weights[1] * log(800.0)) / sum(weights)
    assert 3.0 / power + log(100.0) + 2.0 * log(400.0) == pytest.approx(3.0 * mean_log, abs=2e-3)
