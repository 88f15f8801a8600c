"""Renewals of a single process against tables, closed forms, another family of lives and simulation."""

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.integrate import quad
from scipy.special import gamma as gamma_function
from scipy.special import gammaincc, gammainccinv
from scipy.stats import poisson

from forecasting.calendars import Calendar
from forecasting.errors import InvalidInput
from forecasting.lifetimes import Lifetime, Weibull
from forecasting.processes import Process
from forecasting.renewals import MOST, outer_counts, outer_expected, renewal_operators
from tests.reference import slow

NEW = np.zeros((1, 1))


@dataclass(frozen=True)
class Gamma:
    """Gamma life of scale 1, only known here: whatever has a cumulative hazard can be projected."""

    shape: float

    def cumulative_hazard(self, age: ArrayLike) -> slow.FloatArray:
        """Minus the log of the upper incomplete gamma function."""
        return np.asarray(-np.log(gammaincc(self.shape, np.asarray(age, dtype=np.float64))))

    def quantile(self, probability: float) -> float:
        """Age by which this share has failed."""
        return float(gammainccinv(self.shape, 1.0 - probability))


def renewal_function(lifetime: Lifetime, time: float, *, cells: int) -> float:
    """Expected renewals of a new item, by so many cells."""
    calendar = Calendar.of([(0.0, time)], cell=time / cells)
    operators = renewal_operators(Process(lifetimes=(lifetime,)), calendar, NEW)
    return float(outer_expected(operators).unplanned.sum())


def extrapolated(lifetime: Lifetime, time: float, *, powers: tuple[float, ...]) -> float:
    """Renewal function by 150, 300, ... cells, the terms of the error of these powers taken out one by one."""
    found = [renewal_function(lifetime, time, cells=150 * 2**level) for level in range(len(powers) + 1)]
    for power in powers:
        found = [fine + (fine - coarse) / (2.0**power - 1.0) for coarse, fine in itertools.pairwise(found)]
    return found[0]


def powers(shape: float) -> tuple[float, ...]:
    """First terms of the error where failures begin as age to the power of the shape."""
    return (2.0,) if shape in {1.0, 2.0, 3.0, 4.0} or shape > 2.0 else tuple(sorted((1.0 + shape, 2.0)))


@pytest.mark.parametrize(
    "row",
    slow.rows("renewal_tijms_table_8_1_1.csv"),
    ids=lambda row: f"Tijms 2003 table 8.1.1 p.312 (seen): cX2 {row['cX2']}, t {row['t_over_mean']}",
)
def test_tijms_printed_values_are_met(row: dict[str, str]) -> None:
    """To half a unit of the last digit and 2e-6: one is rounded up."""
    shape, time, printed = float(row["weibull_shape"]), float(row["t_over_mean"]), row["M_printed"]
    lifetime = Weibull(scale=1.0 / float(gamma_function(1.0 + 1.0 / shape)), shape=shape)
    half_a_unit = 0.5 * 10.0 ** -len(printed.split(".")[1])
    found = extrapolated(lifetime, time, powers=powers(shape))
    assert found == pytest.approx(float(printed), abs=half_a_unit + 2e-6)


@pytest.mark.parametrize("shape", [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0])
def test_the_computed_grid_of_weibull_renewals_is_met(shape: float) -> None:
    """Smith & Leadbetter 1963, Xie 1989 (computed by two methods): to 1e-8, the first terms of the error taken out."""
    for row in slow.rows("renewal_weibull_scale1.csv"):
        if float(row["shape"]) == shape:
            found = extrapolated(Weibull(scale=1.0, shape=shape), float(row["t_over_eta"]), powers=powers(shape))
            assert found == pytest.approx(float(row["M_series"]), abs=1e-8)


@pytest.mark.parametrize(("shape", "ratio"), [(1.0, 4.0), (1.5, 4.0), (2.5, 4.0), (4.0, 4.0), (0.5, 2.0**1.5)])
def test_halving_the_cells_divides_the_error(shape: float, ratio: float) -> None:
    """By 4 for shapes of at least 1, by 2^(1 + shape) below."""
    exact = next(
        float(row["M_series"])
        for row in slow.rows("renewal_weibull_scale1.csv")
        if float(row["shape"]) == shape and float(row["t_over_eta"]) == 2.0
    )
    errors = [renewal_function(Weibull(scale=1.0, shape=shape), 2.0, cells=cells) - exact for cells in (100, 200, 400)]
    assert errors[0] / errors[1] == pytest.approx(ratio, rel=0.08)
    assert errors[1] / errors[2] == pytest.approx(ratio, rel=0.08)


@pytest.mark.parametrize(
    "row", slow.rows("renewal_erlang_gamma.csv"), ids=lambda row: f"gamma {row['gamma_shape']}, t {row['t']}"
)
def test_gamma_lives_renew_as_the_closed_forms_say(row: dict[str, str]) -> None:
    """Sums of gamma distribution functions, to 1e-6 of it."""
    shape, time = float(row["gamma_shape"]), float(row["t"])
    found = extrapolated(Gamma(shape), time, powers=powers(shape))
    assert found == pytest.approx(float(row["M_sum_of_cdfs"]), rel=1e-6, abs=1e-6)


def erlang_2(time: float) -> float:
    """Renewal function of two exponential stages of rate 1."""
    return time / 2.0 - (1.0 - math.exp(-2.0 * time)) / 4.0


def erlang_3(time: float) -> float:
    """Renewal function of three exponential stages of rate 1."""
    angle = math.sqrt(3.0) * time / 2.0
    return time / 3.0 - 1.0 / 3.0 + math.exp(-1.5 * time) * (math.cos(angle) + math.sin(angle) / math.sqrt(3.0)) / 3.0


@pytest.mark.parametrize(("shape", "closed_form"), [(2.0, erlang_2), (3.0, erlang_3)])
@pytest.mark.parametrize("time", [0.5, 1.0, 3.0])
def test_erlang_lives_renew_as_the_closed_forms_say(shape: float, closed_form: object, time: float) -> None:
    """With the error extrapolated away (it is of second order), to 1e-8."""
    assert callable(closed_form)
    coarse, fine = (renewal_function(Gamma(shape), time, cells=cells) for cells in (300, 600))
    assert fine + (fine - coarse) / 3.0 == pytest.approx(closed_form(time), abs=1e-8)


def test_exponential_renewals_are_poisson() -> None:
    """In any window, at any age; weekly cells, a mean life of 700 days."""
    windows = [(0.0, 30.0), (0.0, 730.0), (335.0, 365.0), (365.0, 730.0)]
    calendar = Calendar.of(windows)
    process = Process(lifetimes=(Weibull(scale=700.0, shape=1.0),))
    operators = renewal_operators(process, calendar, np.array([[0.0], [4000.0]]))
    for number, (start, end) in enumerate(windows):
        counts = outer_counts(operators, calendar, number)
        expected = poisson.pmf(np.arange(counts.shape[1]), (end - start) / 700.0)
        assert np.abs(counts - expected).max() < 1e-5


def test_hazards_of_items_renewed_together_add() -> None:
    """Two exponential items of 500 and 2000 days are one of 400; each has its own age."""
    calendar = Calendar.of([(0.0, 365.0)])
    both = Process(lifetimes=(Weibull(scale=500.0, shape=1.0), Weibull(scale=2000.0, shape=1.0)))
    one = Process(lifetimes=(Weibull(scale=400.0, shape=1.0),))
    together = outer_counts(renewal_operators(both, calendar, np.array([[30.0, 900.0]])), calendar, 0)
    assert np.allclose(together, outer_counts(renewal_operators(one, calendar, NEW), calendar, 0), atol=1e-12)


POLICIES: dict[str, tuple[dict[str, Any], list[float], float]] = {
    "corrective": ({}, [0.0, 137.0, 2000.0, math.inf], 1e-8),
    "predetermined": ({"interval": 365.0}, [0.0, 35.0, 137.0, 365.0, 4000.0, math.inf], 1e-4),
    "due on a window's edge": ({"interval": 395.0}, [30.0, 365.0, 60.0, 304.0], 1e-4),
    "a short interval": ({"interval": 30.0}, [0.0, 10.0, 30.0], 1e-4),
    "opportunistic": ({"opportunity": 200.0, "turnarounds": (29.0, 365.0, 650.0)}, [0.0, 171.0, 400.0, math.inf], 1e-8),
    "a turnaround on a window's edge": (
        {"opportunity": 365.0, "turnarounds": (30.0, 395.0, 730.0)},
        [0.0, 334.0, 335.0, 336.0, math.inf],
        1e-8,
    ),
    "due on a turnaround": (
        {"interval": 365.0, "opportunity": 300.0, "turnarounds": (35.0, 335.0, 400.0)},
        [0.0, 330.0, 30.0, 365.0, math.inf],
        1e-4,
    ),
}


def calendar_of(process: Process, *, cell: float = 7.0) -> Calendar:
    """The usual windows, cut as the process asks for."""
    return Calendar.of(
        slow.WINDOWS,
        running=slow.WINDOWS,
        intervals=[process.interval] if process.interval < math.inf else [],
        opportunities=[process.opportunity] if process.opportunity < math.inf else [],
        turnarounds=process.turnarounds,
        cell=cell,
    )


@pytest.mark.parametrize(("policy", "ages", "within"), POLICIES.values(), ids=POLICIES.keys())
def test_every_row_sums_to_1_and_has_the_expected_mean(
    policy: dict[str, Any], ages: list[float], within: float
) -> None:
    """Also with dates exactly on an edge, overdue, and awaiting renewal; with and without turnarounds.

    Planned dates off the middle of a cell are extrapolated, to 1e-4 of a renewal.
    """
    process = Process(lifetimes=(Weibull(scale=900.0, shape=1.7),), **policy)
    calendar = calendar_of(process)
    operators = renewal_operators(process, calendar, np.array(ages)[:, None])
    expected = outer_expected(operators)
    for number in range(2 * len(slow.WINDOWS)):
        counts, cells = outer_counts(operators, calendar, number), slice(*calendar.span(number))
        assert np.abs(counts.sum(axis=1) - 1.0).max() < 1e-9
        mean = (expected.unplanned + expected.planned)[:, cells] @ calendar.counted(number)
        assert counts @ np.arange(counts.shape[1]) == pytest.approx(mean, rel=within, abs=within)


@pytest.mark.parametrize("age", [0.0, 100.0, 335.0, 365.0])
def test_what_never_fails_is_renewed_on_its_planned_days(age: float) -> None:
    """Each in its own window, for ever: every 365 days, the first 365 - age days from now."""
    due = [365.0 - age + 365.0 * k for k in range(4)]
    windows = [(30.0 * k, 30.0 * k + 30.0) for k in range(37)]
    calendar = Calendar.of(windows, intervals=[365.0])
    process = Process(lifetimes=(Weibull(scale=1e9, shape=2.0),), interval=365.0)
    operators = renewal_operators(process, calendar, np.array([[age]]))
    for number, (start, end) in enumerate(windows):
        wanted = sum(start < day <= end or day == start == 0.0 for day in due)
        assert outer_counts(operators, calendar, number)[0, wanted] == pytest.approx(1.0, abs=1e-9)


def test_what_is_overdue_is_planned_and_what_waits_is_not() -> None:
    """Both at once, in the first window only."""
    calendar = Calendar.of([(0.0, 1.0), (1.0, 8.0)], intervals=[100.0])
    process = Process(lifetimes=(Weibull(scale=1e9, shape=2.0),), interval=100.0)
    operators = renewal_operators(process, calendar, np.array([[101.0], [math.inf]]))
    expected = outer_expected(operators)
    first = slice(*calendar.span(0))
    assert expected.planned[:, first].sum(axis=1) == pytest.approx([1.0, 0.0], abs=1e-12)
    assert expected.unplanned[:, first].sum(axis=1) == pytest.approx([0.0, 1.0], abs=1e-12)
    assert outer_counts(operators, calendar, 1)[:, 0] == pytest.approx([1.0, 1.0], abs=1e-12)


@pytest.mark.parametrize(("age", "seen"), [(199.0, 50.0), (200.0, 0.0), (171.0, 29.0), (70.0, 130.0), (0.0, math.inf)])
def test_what_never_fails_is_renewed_at_the_first_turnaround_at_which_it_is_old_enough(age: float, seen: float) -> None:
    """At exactly so many days it is; on the day itself, in the window that contains it; for turnarounds only."""
    process = Process(lifetimes=(Weibull(scale=1e9, shape=2.0),), opportunity=200.0, turnarounds=(29.0, 50.0, 130.0))
    windows = [(day - 1.0, day) for day in (1.0, 29.0, 30.0, 50.0, 51.0, 130.0, 131.0)]
    calendar = Calendar.of(windows, running=[(0.0, 200.0)], opportunities=[200.0], turnarounds=process.turnarounds)
    operators = renewal_operators(process, calendar, np.array([[age]]))
    first = min((day for day in process.turnarounds if age + day >= 200.0), default=math.inf)
    for number, (_, end) in enumerate(windows):
        assert outer_counts(operators, calendar, number)[0, int(end == first)] == pytest.approx(1.0, abs=1e-9)
    assert outer_counts(operators, calendar, len(windows))[0, 0] == pytest.approx(1.0, abs=1e-9)
    assert first == seen or age in {199.0, 200.0}


@pytest.mark.parametrize("interval", [400.0, 900.0, 2000.0])
def test_the_long_run_rate_of_an_age_policy_is_1_over_the_mean_life_it_allows(interval: float) -> None:
    """1 / integral of S from 0 to the interval (Barlow & Hunter 1960, from memory), once it has settled: to 0.1 %.

    Counted over whole intervals, since what is planned keeps its rhythm for long.
    """
    life, begin, end = Weibull(scale=900.0, shape=1.7), 16000.0, 16000.0 + 2.0 * interval
    calendar = Calendar.of([(0.0, begin), (begin, end)], intervals=[interval], cell=20.0)
    operators = renewal_operators(Process(lifetimes=(life,), interval=interval), calendar, NEW)
    expected = outer_expected(operators)
    late = slice(*calendar.span(1))
    allowed = quad(lambda age: math.exp(-slow.cumulative_hazard(age, 900.0, 1.7)), 0.0, interval)[0]
    found = float((expected.unplanned + expected.planned)[0, late].sum()) / (end - begin)
    assert found * allowed == pytest.approx(1.0, abs=1e-3)


def test_more_renewals_than_are_told_apart_count_as_the_last() -> None:
    """Lives of three days in two years: the row still sums to 1."""
    calendar = Calendar.of([(0.0, 730.0)], cell=1.0)
    process = Process(lifetimes=(Weibull(scale=3.0, shape=1.5),))
    counts = outer_counts(renewal_operators(process, calendar, NEW), calendar, 0)
    assert counts.shape == (1, MOST)
    assert counts[0, -1] == pytest.approx(1.0, abs=1e-6)
    assert counts.sum() == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("lifetimes", "interval"), [((), 5.0), ((Weibull(scale=1.0, shape=1.0),), 0.0)])
def test_a_process_without_a_life_or_an_interval_is_refused(lifetimes: tuple[Weibull, ...], interval: float) -> None:
    """As a process can't be."""
    with pytest.raises(InvalidInput, match="a process needs a lifetime and an interval > 0"):
        Process(lifetimes=lifetimes, interval=interval)
