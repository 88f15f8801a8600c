"""How long stock lasts: against Poisson demand whose median is known day by day, with arrivals, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.stock_outs import days_until_short
from forecasting.stock_positions import OpenOrder
from forecasting.stock_questions import Rule
from forecasting.stocking import decide
from tests.forecasting.test_stocking import PLAIN, steady
from tests.strategies import CI

PER_DAY = 0.05


def demand(*days: float) -> list[tuple[float, FloatArray]]:
    """Poisson demand until each of some days."""
    return [(day, np.asarray(poisson.pmf(np.arange(80), PER_DAY * day))) for day in days]


EVERY_DAY = demand(*range(1, 731))


def first_day(on_hand: int, *, chance: float) -> int:
    """Look day by day."""
    return next(day for day in range(731) if poisson.sf(on_hand, PER_DAY * day) > chance)


@pytest.mark.parametrize("on_hand", [0, 1, 4, 12])
@pytest.mark.parametrize("chance", [0.02, 0.1, 0.5])
def test_stock_lasts_until_the_chance_is_reached(on_hand: int, chance: float) -> None:
    known = first_day(on_hand, chance=chance)
    assert days_until_short(on_hand=on_hand, arrivals=[], demand=EVERY_DAY, chance=chance) == known


def test_between_few_known_days_it_is_a_few_days_off() -> None:
    """The days that a decision asks for anyway; the half-way day of one to four kits is met within three weeks."""
    few = demand(60, 67, 74, 90, 365, 730)
    for on_hand in range(1, 5):
        exact = first_day(on_hand, chance=0.5)
        assert abs((days_until_short(on_hand=on_hand, arrivals=[], demand=few, chance=0.5) or 0) - exact) <= 21


def test_what_arrives_in_time_carries_on_and_what_comes_too_late_does_not() -> None:
    lasting = first_day(1, chance=0.5)
    early, late = OpenOrder(due=lasting - 0.5, qty=3), OpenOrder(due=lasting + 5.0, qty=3)
    assert days_until_short(on_hand=1, arrivals=[early], demand=EVERY_DAY, chance=0.5) == first_day(4, chance=0.5)
    assert days_until_short(on_hand=1, arrivals=[late], demand=EVERY_DAY, chance=0.5) == lasting


def test_an_overdue_order_counts_as_if_it_came_today() -> None:
    overdue = OpenOrder(due=-40.0, qty=2)
    assert days_until_short(on_hand=-1, arrivals=[overdue], demand=EVERY_DAY, chance=0.5) == first_day(1, chance=0.5)


def test_requests_that_wait_are_short_today_and_stock_for_years_is_not_dated() -> None:
    assert days_until_short(on_hand=-1, arrivals=[], demand=EVERY_DAY, chance=0.5) == 0.0
    assert days_until_short(on_hand=200, arrivals=[], demand=EVERY_DAY, chance=0.5) is None


@CI
@given(on_hand=st.integers(-2, 20), more=st.integers(0, 5), due=st.floats(-50.0, 900.0), chance=st.floats(0.01, 0.99))
def test_more_stock_never_runs_out_earlier(on_hand: int, more: int, due: float, chance: float) -> None:
    arrivals = [OpenOrder(due=due, qty=1)]
    less, enough = (
        days_until_short(on_hand=kits, arrivals=arrivals, demand=EVERY_DAY[::30], chance=chance)
        for kits in (on_hand, on_hand + more)
    )
    assert (float("inf") if enough is None else enough) >= (float("inf") if less is None else less)


@pytest.mark.parametrize("chance", [0.0, 1.0, -0.5])
def test_a_chance_that_is_none_is_refused(chance: float) -> None:
    with pytest.raises(InvalidInput, match=r"`chance` must be within \(0, 1\)"):
        days_until_short(on_hand=1, arrivals=[], demand=EVERY_DAY, chance=chance)


@pytest.mark.parametrize("rule", Rule)
def test_an_empty_shelf_is_late_by_no_more_than_the_lead_time(rule: Rule) -> None:
    question = replace(PLAIN, rule=rule, holding_cost=10.0, shortage_cost=2000.0)
    level = decide(question, steady(0.05)).reorder_point
    late = [decide(replace(question, on_hand=kits), steady(0.05)).days_late for kits in range(level + 2)]
    assert late == sorted(late, reverse=True)
    assert 0.0 < late[0] <= question.lead_time
    assert (late[level], late[level + 1]) == (0.0, 0.0)


def test_what_was_accepted_comes_a_lead_time_from_now() -> None:
    """One kit lasts 24 days as likely as not; two more that come after 60 days are too late for that."""
    without = decide(replace(PLAIN, on_hand=1), steady(0.05)).stock_out
    assert without is not None
    assert without < PLAIN.lead_time
    assert decide(replace(PLAIN, on_hand=1, accepted=2), steady(0.05)).stock_out == without
    lasting = decide(replace(PLAIN, on_hand=8), steady(0.05)).stock_out
    more = decide(replace(PLAIN, on_hand=8, accepted=2), steady(0.05)).stock_out
    assert lasting is not None
    assert more is not None
    assert more > lasting
