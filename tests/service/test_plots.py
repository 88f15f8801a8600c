"""Probability plots: what a run stores of them, what is drawn, and what is said beside."""

import math
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

import msgspec
import numpy as np
import pytest
from litestar.testing import TestClient

from forecasting.lives import Lives, lives_of_one_sample
from forecasting.pooling import lifetimes_in_use
from forecasting.trends import trend_tests
from models.engine import Engines
from service.plots import BOTTOM, LEFT, RIGHT, TOP, PlotData, draw_plot
from service.schemas.results import FailureModelOut
from service.translate_diagnostics import Diagnosis, diagnose
from service.translate_results import _trend_words
from service.use_cases.draw_failure_model import draw_if_any

Client = TestClient[Any]
SVG = "{http://www.w3.org/2000/svg}"


def diagnosed(lives: Lives) -> Diagnosis:
    return diagnose(lifetimes_in_use(lives, wanted=[("", "")])[0], lives)


def drawn(data: PlotData, caption: str) -> ElementTree.Element:
    return ElementTree.fromstring(draw_plot(data, title="trim in wet CO2", caption=caption))


def test_a_plot_holds_a_dot_with_limits_per_point_and_both_lines() -> None:
    data = PlotData(
        method="Kaplan-Meier",
        points=[(100.0, 100.0, 0.05, 0.01, 0.3), (300.0, 300.0, 0.2, 0.1, 0.4)],
        line=[(50.0, 0.02), (500.0, 0.5)],
        own_line=[(50.0, 0.01), (500.0, 0.6)],
    )
    svg = drawn(data, "Scale 900 days.")
    assert len(svg.findall(f"{SVG}circle")) == 2 + 1, "one more in the legend"
    assert len(svg.findall(f"{SVG}polyline")) == 2
    assert [element.text for element in (*svg.findall(f"{SVG}title"), *svg.findall(f"{SVG}desc"))] == [
        "trim in wet CO2",
        "Scale 900 days.",
    ]
    words = [element.text for element in svg.findall(f"{SVG}text")]
    assert "age since renewal, days (logarithmic)" in words
    assert "Scale 900 days." in words


def test_what_is_written_into_a_plot_stays_text() -> None:
    text = draw_plot(PlotData(method="Kaplan-Meier"), title="<script>", caption="a & b <c>")
    assert "<script>" not in text
    assert ElementTree.fromstring(text).findtext(f"{SVG}desc") == "a & b <c>"


@pytest.mark.parametrize("points", [[], [(0.0, 1.0, 1.0, None, None)], [(0.0, 200.0, 0.4, None, None)]])
def test_plots_of_next_to_nothing_are_drawn(points: list[tuple[float, float, float, None, None]]) -> None:
    assert drawn(PlotData(method="Turnbull", points=list(points)), "").tag == f"{SVG}svg"


def test_all_that_is_drawn_lies_on_the_sheet() -> None:
    data = PlotData(method="Kaplan-Meier", points=[(5.0, 5.0, 0.0005, 1e-8, 0.9999999)], line=[(1.0, 1e-7), (9.0, 1.0)])
    svg = drawn(data, "x")
    across = [float(line.get("x2", "0")) for line in svg.findall(f"{SVG}line")]
    up = [float(line.get("y2", "0")) for line in svg.findall(f"{SVG}line")]
    assert (min(across) >= 0, max(across) <= 720, min(up) >= 0, max(up) <= 560) == (True,) * 4


def test_lines_end_at_the_frame_and_not_before_it() -> None:
    """A straight line from far below and left of the frame to beyond its top: drawn from edge to edge."""
    data = PlotData(
        method="Kaplan-Meier",
        points=[(100.0, 100.0, 0.1, 0.05, 0.2), (300.0, 300.0, 0.5, 0.3, 0.7)],
        own_line=[(1.0, 1e-5), (200.0, 0.3), (90000.0, 0.9999999)],
        line=[(100.0, 0.1), (300.0, 0.5)],
    )
    line, own = (
        [tuple(map(float, place.split(","))) for place in str(one.get("points")).split()]
        for one in drawn(data, "x").findall(f"{SVG}polyline")
    )
    assert len(line) == 2
    (first, middle, last) = own
    assert first[0] == LEFT or first[1] == BOTTOM
    assert last[0] == RIGHT or last[1] == TOP
    assert first[0] < middle[0] < last[0]
    low, high = (math.log(-math.log1p(-share)) for share in (1e-5, 0.3))
    slope = (high - low) / math.log(200.0)
    drawn_slope = (first[1] - middle[1]) / (middle[0] - first[0])
    line_slope = (line[0][1] - line[1][1]) / (line[1][0] - line[0][0])
    true = (math.log(-math.log(0.5)) - math.log(-math.log(0.9))) / math.log(3.0)
    assert drawn_slope / line_slope == pytest.approx(slope / true, rel=0.01), "bent nowhere"


def test_failures_whose_item_is_not_said_are_told_beside_the_points() -> None:
    """They are no points: with four in ten such failures the points lie far below the line."""
    stored = {
        "method": "Kaplan-Meier",
        "points": [[100.0, 100.0, 0.05, 0.01, 0.3]],
        "line": [[50.0, 0.02], [500.0, 0.5]],
    }
    known = {"service_class": "wet CO2", "maintainable_item": "trim", "failures": 90, "lives": 150}
    words = {"status": "ok", "method": "fit", "details": {"plot": stored, "cause_masked": 55}}
    unknown = dict.fromkeys(FailureModelOut.__struct_fields__[:-1])
    model = msgspec.convert(unknown | known | words, FailureModelOut)
    told = draw_if_any(model)
    assert told is not None
    said = " ".join(element.text or "" for element in ElementTree.fromstring(told).findall(f"{SVG}desc"))
    assert "55 lives ended in a failure whose item isn't said: to the points they were running on" in said


def test_a_run_stores_points_at_half_the_step_and_the_line_of_the_forecast() -> None:
    ages = [54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    plot: Any = diagnosed(lives_of_one_sample(lower=[*ages, *[500.0] * 10], upper=[*ages, *[np.inf] * 10])).details[
        "plot"
    ]
    assert (plot["method"], plot["survived_to_days"], plot["reason"]) == ("Kaplan-Meier", 0.0, None)
    assert [point[2] for point in plot["points"]] == pytest.approx(np.arange(0.025, 0.5, 0.05))
    assert len(plot["line"]) == 25


def test_lives_found_failed_at_inspections_are_stored_with_their_intervals() -> None:
    plot: Any = diagnosed(lives_of_one_sample(lower=[0.0, 365, 365, 730], upper=[365.0, 730, 730, np.inf])).details[
        "plot"
    ]
    assert plot["method"] == "Turnbull"
    assert [point[:3] for point in plot["points"]] == [[0.0, 365.0, 0.25], [365.0, 730.0, 0.75]]


def test_points_end_where_all_then_watched_had_failed() -> None:
    """Two lives fail by 900 days, and one that entered at 950 says nothing of the ages between."""
    lives = lives_of_one_sample(entry=[0.0, 0, 0, 950], lower=[300.0, 600, 900, 1100], upper=[300.0, 600, 900, 1100])
    plot: Any = diagnosed(lives).details["plot"]
    assert plot["seen_to_days"] == 900.0
    assert [point[1] for point in plot["points"]] == [300.0, 600.0]


def test_rework_is_counted_apart_and_warned_of() -> None:
    told = diagnosed(lives_of_one_sample(lower=[20.0, 40, 900, 1100, 1300], upper=[20.0, 40, 900, 1100, np.inf]))
    assert told.details["repeats_within_90_days"] == 2
    assert told.details["repeats_share_of_renewals"] == 0.4
    assert [warning for warning in told.warnings if warning.startswith("2 of 5 renewals failed again within 90 days")]


def test_a_curve_that_does_not_fit_is_said_to_and_where() -> None:
    rng = np.random.default_rng(5)
    age = np.where(rng.random(90) < 0.4, 200.0 * rng.weibull(1.5, 90), 2500.0 * rng.weibull(5.0, 90)).round() + 1.0
    told = diagnosed(lives_of_one_sample(lower=age, upper=age))
    assert any("doesn't describe these lives well" in warning for warning in told.warnings)
    assert isinstance(told.details["fit_p"], float)


def test_a_class_without_lives_has_nothing_to_plot() -> None:
    lives = lives_of_one_sample(lower=[5.0], upper=[5.0])
    one = lifetimes_in_use(lives, wanted=[("elsewhere", "")])[0]
    assert diagnose(one, lives) == Diagnosis(details={}, warnings=())


@pytest.mark.parametrize(
    ("repairs", "words"),
    [
        ([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], "One trend test over all valves objects (MIL-HDBK-189 p = "),
        ([5, 9, 14, 20, 30, 41, 60, 80, 120], "Both trend tests over all valves object"),
        ([1380, 1400, 1420, 1440, 1455, 1470, 1480, 1490, 1495], "failures come ever faster"),
    ],
    ids=["the tests disagree", "ever more slowly", "ever faster"],
)
def test_trends_are_told_in_words_and_a_disagreement_is_said(repairs: list[float], words: str) -> None:
    """NIST's ten repairs: Laplace -1.327 (p 0.18) and MIL-HDBK-189 37.23 (p 0.022) disagree."""
    trend = trend_tests([repairs], watched=[1500.0])
    assert trend is not None
    told = " ".join(_trend_words(trend))
    assert words in told
    assert ("the other doesn't (Laplace p = 0.185): weak evidence" in told) == ("One trend test" in words)


def test_an_even_rate_is_not_commented() -> None:
    trend = trend_tests([np.arange(50.0, 1500.0, 100.0)], watched=[1500.0])
    assert trend is not None
    assert _trend_words(trend) == []


def test_a_model_without_stored_points_is_a_conflict_that_says_so(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: Callable[[Engines], int]
) -> None:
    finish_run(sqlite_engines)
    answer = sqlite_client.get("/v1/failure-models/wet%20CO2/trim/plot.svg")
    assert (answer.status_code, answer.headers["content-type"]) == (409, "application/problem+json")
    assert "no life of wet CO2 trim to plot" in answer.json()["detail"]
