"""How sure a fit is, as a run stores it: method, level, limits with units in their names, reasons; the plot's band."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from forecasting.lives import Lives
from forecasting.pooling import InUse, lifetimes_in_use
from service.plots import PlotData, draw_plot
from service.schemas.results import limit_columns
from service.translate_diagnostics import diagnose
from service.translate_intervals import Sureness, how_sure

NIST = [54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386]
AGES = ("scale_days", "b10_days", "median_days", "mean_days")
WORN, QUIET = ("air", "seat"), ("steam", "seat")


@pytest.fixture(scope="module")
def lives() -> Lives:
    """A class with ten failures in twenty lives, and one without any."""
    lower = np.array([*NIST, *10 * [500.0], 700.0, 900.0])
    return Lives(
        samples=(WORN, QUIET),
        sample=np.repeat([0, 1], [20, 2]),
        entry=np.zeros(22),
        lower=lower,
        upper=np.where(np.arange(22) < 10, lower, np.inf),
        cause=np.arange(22),
    )


@pytest.fixture(scope="module")
def models(lives: Lives) -> tuple[InUse, ...]:
    return lifetimes_in_use(lives, wanted=[*lives.samples, ("water", "seat")])


@pytest.fixture(scope="module")
def told(models: tuple[InUse, ...], lives: Lives) -> Mapping[tuple[str, str], Sureness]:
    return how_sure(models, lives)


def test_every_quantity_lies_within_its_limits(told: Mapping[tuple[str, str], Sureness]) -> None:
    intervals: Any = told[WORN].intervals
    assert (intervals["method"], intervals["level"]) == ("likelihood ratio, small-sample corrected", 0.9)
    assert intervals["scale_days"]["estimate"] == pytest.approx(606.528, abs=5e-4), "NIST 8.4.1.3 as maximised"
    for name in (*AGES, "shape"):
        assert intervals[name]["lower"] < intervals[name]["estimate"] < intervals[name]["upper"]
        assert intervals[name]["reason"] is None
    assert [one["age_days"] for one in intervals["survival"]] == [365, 730, 1826]
    for one in intervals["survival"]:
        assert 0.0 <= one["lower"] < one["estimate"] < one["upper"] <= 1.0
    assert intervals["mle_shape_median_ratio"] == pytest.approx(10 / 9.05, rel=1e-5)


def test_a_class_without_a_maximum_says_why_it_has_no_limits(told: Mapping[tuple[str, str], Sureness]) -> None:
    assert told[QUIET].intervals == {"method": None, "level": 0.9, "reason": "no failure was observed"}
    assert told[QUIET].band == []
    assert told.keys() == {WORN, QUIET}, "a class without lives has nothing to be sure of"


def test_nothing_fitted_is_nothing_told(lives: Lives) -> None:
    assert how_sure([], lives) == {}


def test_the_band_holds_the_line_of_the_class_alone(
    models: tuple[InUse, ...], lives: Lives, told: Mapping[tuple[str, str], Sureness]
) -> None:
    fit = models[0].fit
    assert fit is not None
    assert fit.lifetime is not None
    for age, lower, upper in told[WORN].band:
        failed = -np.expm1(-fit.lifetime.cumulative_hazard(age))
        assert lower < failed < upper
    plot: Any = diagnose(models[0], lives, band=told[WORN].band).details["plot"]
    data = PlotData(method="Kaplan-Meier", line=[(54.0, 0.01), (500.0, 0.5)], band=plot["band"])
    assert [list(limits) for limits in data.band] == told[WORN].band


def test_the_band_is_drawn_beneath_with_dotted_edges_and_within_the_frame() -> None:
    data = PlotData(
        method="Kaplan-Meier",
        line=[(100.0, 0.05), (1000.0, 0.6)],
        own_line=[(100.0, 0.05), (1000.0, 0.6)],
        band=[(10.0, 0.0, 0.5), (100.0, 1e-9, 0.2), (300.0, 0.1, 0.5), (1000.0, 0.3, 1.0), (5000.0, 0.9, 1.0)],
    )
    drawn = draw_plot(data, title="t", caption="c")
    corners = drawn.split('<polygon points="')[1].split('"')[0].split()
    places = [tuple(map(float, corner.split(","))) for corner in corners]
    assert len(places) == 6, "ages outside the frame aren't drawn"
    assert all(76.0 <= across <= 700.0 and 56.0 <= up <= 400.0 for across, up in places)
    assert drawn.count('stroke-dasharray="1.5 3"') == 2
    assert drawn.index("<polygon") < drawn.index("<line"), "beneath the grid and all else"


def test_limits_become_columns_and_a_run_without_them_has_empty_ones(told: Mapping[tuple[str, str], Sureness]) -> None:
    intervals: Any = told[WORN].intervals
    assert limit_columns({"intervals": intervals}) == {
        "interval_level": 0.9,
        "mle_scale_days_lower": intervals["scale_days"]["lower"],
        "mle_scale_days_upper": intervals["scale_days"]["upper"],
        "mle_shape_lower": intervals["shape"]["lower"],
        "mle_shape_upper": intervals["shape"]["upper"],
    }
    empty = dict.fromkeys(limit_columns({}))
    assert limit_columns({}) == limit_columns({"intervals": told[QUIET].intervals}) == empty
