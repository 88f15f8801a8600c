"""Why a number is what it is: valves and their parts, and the split of a difference."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, kits_taken
from forecasting.demand import kit_demand
from forecasting.histories import Action, Event, History
from forecasting.lifetimes import Weibull
from forecasting.reasons import histories_until, needs_of_valves, split_change
from tests.strategies import CI

YEAR, QUARTER = (0.0, 365.0), (90.0, 181.0)
TAGS = ("V1", "V2", "V3", "V4")


def plan(item: str, *, scale: float, kit: str, renews: set[str], interval: float = np.inf) -> ItemPlan:
    lifetime = Weibull(scale=scale, shape=2.0)
    return ItemPlan(item=item, lifetime=lifetime, interval=interval, kit=kit, qty=2, renews=frozenset(renews))


def age(tag: str, item: str, days: int) -> ItemAge:
    return ItemAge(valve=tag, item=item, service_class="", age=days, survived=days, in_place=days, awaits_renewal=False)


GROUP = Group(
    plans=(
        plan("packing", scale=300.0, kit="KP", renews={"packing"}, interval=400.0),
        plan("trim", scale=900.0, kit="KT", renews={"trim", "packing"}),
    ),
    valves=TAGS,
    ages=tuple(
        {"packing": age(tag, "packing", 90 * n), "trim": age(tag, "trim", 200 * n)} for n, tag in enumerate(TAGS)
    ),
    turnarounds=(120.0,),
)


@pytest.mark.parametrize("window", [YEAR, QUARTER])
@pytest.mark.parametrize("kit", ["KP", "KT"])
@pytest.mark.parametrize("served", [frozenset(TAGS), frozenset({"V2", "V4"})])
def test_what_the_valves_expect_sums_to_the_mean_of_the_demand(
    kit: str, window: tuple[float, float], served: frozenset[str]
) -> None:
    taken = [one for one in kits_taken(GROUP, [YEAR, QUARTER]) if one.kit == kit]
    demand, needs = kit_demand(taken, window, valves=served), needs_of_valves(taken, window, valves=served)
    assert {need.tag for need in needs} == served
    assert sum(need.expected for need in needs) == pytest.approx(demand.mean, rel=1e-9)
    assert sum(need.unplanned for need in needs) == pytest.approx(demand.unplanned, rel=1e-4, abs=1e-12)
    assert sum(need.planned for need in needs) == pytest.approx(demand.planned, rel=1e-4, abs=1e-12)
    assert [need.expected for need in needs] == sorted((need.expected for need in needs), reverse=True)
    # nobody needs the kit exactly if no valve does
    nobody = np.prod([1.0 - need.chance for need in needs])
    assert demand.probabilities[0] == pytest.approx(nobody, rel=1e-9)


def test_a_valve_without_the_kit_adds_nothing() -> None:
    assert needs_of_valves([], YEAR, valves=frozenset(TAGS)) == ()


NUMBER = st.floats(0.0, 1e5, allow_nan=False)


@CI
@example(before=0.0, corrected=0.0, later=0.0, with_events=99999.99999999999, after=1.5)
@given(before=NUMBER, corrected=NUMBER, later=NUMBER, with_events=NUMBER, after=NUMBER)
def test_the_parts_of_a_difference_sum_to_it_in_every_printed_digit(
    before: float, corrected: float, later: float, with_events: float, after: float
) -> None:
    change = split_change(before, corrected=corrected, later=later, with_events=with_events, after=after)
    parts = (change.record_corrections, change.time_passing, change.new_events, change.new_model)
    printed = sum((Decimal(f"{part:.6g}") for part in parts), Decimal(0))
    assert printed == Decimal(f"{change.after:.6g}") - Decimal(f"{change.before:.6g}")
    largest = max(before, corrected, later, with_events, after)
    assert abs(change.after - after) <= 5e-6 * largest * (1.0 + 1e-9)  # its logarithm may round up


def test_each_step_gets_what_it_added_and_no_other() -> None:
    change = split_change(10.0, corrected=11.0, later=13.0, with_events=12.5, after=12.25)
    assert (change.record_corrections, change.time_passing, change.new_events, change.new_model) == (
        1.0,
        2.0,
        -0.5,
        -0.25,
    )
    assert split_change(0.0, corrected=0.0, later=0.0, with_events=0.0, after=0.0).new_model == 0.0


def test_a_history_until_a_day_is_in_the_service_it_was_in_and_knows_of_no_later_renewal() -> None:
    events = (
        Event(ref="1", action=Action.REBUILD, done=100),
        Event(ref="2", action=Action.RECLASSIFY, done=200, class_from="air"),
        Event(ref="3", action=Action.RECLASSIFY, done=300, class_from="water"),
        Event(ref="4", action=Action.REBUILD, done=400, found=150),
    )
    valve = History(
        valve="V",
        service_class="acid",
        items=("seat", "plug"),
        records_begin=0,
        installed=0,
        last_renewed={"seat": 90, "plug": 210},
        events=events,
    )
    told = {day: histories_until([valve], day)[0] for day in (150, 250, 350, 400)}
    assert {day: one.service_class for day, one in told.items()} == {150: "air", 250: "water", 350: "acid", 400: "acid"}
    assert [event.ref for event in told[150].events] == ["1"]
    assert told[150].last_renewed == {"seat": 90}
    assert told[400] == valve
