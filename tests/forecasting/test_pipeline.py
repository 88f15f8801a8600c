"""The verbs in a row: a small plant forecast, whole and by area, whatever the order of its records."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.histories import Action, Event, History, Reason
from forecasting.pipeline import DesignItem, Forecast, Plant, forecast
from forecasting.pooling import Source
from forecasting.stocking import Rule, StockQuestion, decide, windows_needed

MONTH, YEAR = (0.0, 30.0), (0.0, 365.0)
AS_OF = 4000
TRIM_KIT = DesignItem(item="trim", kit="KT", qty=1, renews=frozenset({"trim", "packing"}))
PACKING_KIT = DesignItem(item="packing", kit="KP", qty=2, renews=frozenset({"packing"}))


def rebuilds(*days: int, renewed: frozenset[str] | None = None, reason: Reason = Reason.FAILURE) -> tuple[Event, ...]:
    return tuple(Event(ref=f"E{day}", action=Action.REBUILD, done=day, reason=reason, renewed=renewed) for day in days)


def valve(tag: str, *events: Event, service_class: str = "wet", items: tuple[str, ...] = ("trim",)) -> History:
    return History(
        valve=tag, service_class=service_class, items=items, records_begin=0, installed=0, events=tuple(events)
    )


def question(
    kit: str = "KT", storeroom: str = "MAIN", valves: frozenset[str] = frozenset({"V1", "V2"})
) -> StockQuestion:
    return StockQuestion(
        storeroom=storeroom,
        kit=kit,
        valves=valves,
        lead_time=45.0,
        lead_time_spread=15.0,
        review_period=14.0,
        rule=Rule.CYCLE,
        target=0.95,
        floor=0,
        min_order=1,
        pack=1,
        shelf_life=np.inf,
        order_cost=60.0,
        holding_cost=25.0,
        on_hand=1,
        orders=(),
    )


WET = (
    valve("V1", *rebuilds(410, 980, 1500, 2290, 2900, 3700)),
    valve("V2", *rebuilds(700, 1250, 2100, 2600, 3300)),
    valve("V3", *rebuilds(900, 1400, 2500, 3100)),
)


def plant(*histories: History, **changed: object) -> Plant:
    """Valves of one design with a trim, in one area each."""
    made = Plant(
        as_of=AS_OF,
        histories=histories,
        designs={one.valve: "D" for one in histories},
        design_items={"D": (TRIM_KIT,)},
        intervals={},
        windows=(MONTH, YEAR),
        areas={f"area of {one.valve}": frozenset({one.valve}) for one in histories},
        questions=(),
    )
    return replace(made, **changed)  # type: ignore[arg-type]


def told(made: Forecast) -> Mapping[object, object]:
    """Everything a forecast says, in values that can be compared."""
    return {
        "lifetimes": made.lifetimes,
        "trends": made.trends,
        "demand": {
            (key, window): (demand.probabilities.tolist(), demand.unplanned, demand.planned)
            for key, by_window in made.demand.items()
            for window, demand in by_window.items()
        },
        "decisions": made.decisions,
        "not_forecast": made.not_forecast,
        "findings": made.fleet.findings,
    }


def test_the_whole_plant_takes_what_its_areas_take() -> None:
    """Means add up; valves of one class share what isn't known of it, so their sum is less sure than valves apart."""
    made = forecast(plant(*WET))
    areas = [made.demand[f"area of {one.valve}", "KT"] for one in WET]
    for window in (MONTH, YEAR):
        whole = made.demand["", "KT"][window]
        assert whole.mean == pytest.approx(sum(area[window].mean for area in areas), rel=1e-9)
        together = np.ones(1)
        for area in areas:
            together = np.convolve(together, area[window].probabilities)
        mine, apart = (
            pmf @ np.arange(len(pmf)) ** 2 - (pmf @ np.arange(len(pmf))) ** 2 for pmf in (whole.probabilities, together)
        )
        assert apart < mine < 1.2 * apart


def test_the_same_plant_gives_the_same_forecast_in_any_order() -> None:
    """Valves and events told backwards."""
    asked = (question(),)
    first = forecast(plant(*WET, questions=asked))
    backwards = [replace(one, events=one.events[::-1]) for one in reversed(WET)]
    again = forecast(plant(*backwards, questions=asked))
    assert told(again) == told(first)
    assert told(forecast(plant(*WET, questions=asked))) == told(first)


def test_what_happens_after_the_cut_off_changes_nothing() -> None:
    later = replace(WET[0], events=(*WET[0].events, *rebuilds(AS_OF + 1)))
    assert told(forecast(plant(later, *WET[1:]))) == told(forecast(plant(*WET)))


def test_a_decision_is_the_one_for_the_demand_of_the_valves_served() -> None:
    """V1 and V2 are served by the storeroom, V3 isn't."""
    asked = question()
    made = forecast(plant(*WET, questions=(asked,)))
    windows = (MONTH, YEAR, *windows_needed(asked))
    alone = forecast(plant(*WET, windows=windows, areas={"served": asked.valves}))
    assert made.decisions["MAIN", "KT"] == decide(asked, alone.demand["served", "KT"].__getitem__)


def test_a_question_about_a_kit_no_served_valve_takes_has_no_decision() -> None:
    asked = (question("OTHER"), question(storeroom="FAR", valves=frozenset({"V9"})), question())
    assert set(forecast(plant(*WET, questions=asked)).decisions) == {("MAIN", "KT")}


def test_only_groups_a_question_bears_on_are_counted_in_its_windows() -> None:
    dry = valve("V8", *rebuilds(1000, 2000, 3000), service_class="dry")
    asked, unasked = forecast(plant(*WET, dry, questions=(question(),))), forecast(plant(*WET, dry))
    # more windows cut time more finely, which shows in the last digits
    same = {
        one.valve: asked.demand[f"area of {one.valve}", "KT"][YEAR].probabilities.tolist()
        == unasked.demand[f"area of {one.valve}", "KT"][YEAR].probabilities.tolist()
        for one in (*WET, dry)
    }
    assert same == {"V1": False, "V2": False, "V3": False, "V8": True}
    assert {window for one in asked.taken for window in one.probabilities} == {MONTH, YEAR}


def test_a_predetermined_policy_takes_planned_kits() -> None:
    """Every 500 days at the latest: fewer failures than without, and kits at dates known beforehand."""
    free, policy = forecast(plant(*WET)), forecast(plant(*WET, intervals={("wet", "trim"): 500.0}))
    without, planned = free.demand["", "KT"][YEAR], policy.demand["", "KT"][YEAR]
    assert without.planned == 0.0
    assert planned.planned > 0.5
    assert planned.unplanned < without.unplanned
    assert planned.mean == pytest.approx(planned.planned + planned.unplanned, rel=1e-9)


def test_the_kit_of_the_trim_spares_a_packing_kit() -> None:
    """Linked items: fewer packing kits than if the trim renewed only itself; two of them at each packing renewal."""
    items = ("packing", "trim")
    linked = [
        valve(
            tag,
            *rebuilds(300, 1300, 1900, renewed=frozenset({"packing"})),
            *rebuilds(700, 1600, 2300, 3000, renewed=frozenset({"packing", "trim"})),
            items=items,
        )
        for tag in ("V1", "V2", "V3")
    ]
    alone = replace(TRIM_KIT, renews=frozenset({"trim"}))
    joint = forecast(plant(*linked, design_items={"D": (PACKING_KIT, TRIM_KIT)}))
    apart = forecast(plant(*linked, design_items={"D": (PACKING_KIT, alone)}))
    assert joint.demand["", "KP"][YEAR].mean < apart.demand["", "KP"][YEAR].mean
    assert joint.demand["", "KT"][YEAR].mean == pytest.approx(apart.demand["", "KT"][YEAR].mean)
    assert joint.demand["", "KP"][YEAR].probabilities[1::2].max() < 1e-12


def test_a_valve_whose_lifetime_nobody_knows_is_named_not_guessed() -> None:
    """Installed on the day of the cut-off, in a class of its own, of an item never seen elsewhere."""
    new = replace(valve("V9", service_class="new", items=("seat",)), installed=AS_OF)
    seat = DesignItem(item="seat", kit="KS", qty=1, renews=frozenset({"seat"}))
    made = forecast(
        plant(
            *WET,
            new,
            designs={"V1": "D", "V2": "D", "V3": "D", "V9": "E"},
            design_items={"D": (TRIM_KIT,), "E": (seat,)},
        )
    )
    assert made.not_forecast == {"KS": frozenset({"V9"})}
    assert ("", "KS") not in made.demand
    assert {one.item: one.source for one in made.lifetimes} == {"seat": Source.UNKNOWN, "trim": Source.OWN}


def test_a_valve_that_outlasted_every_other_many_times_over_is_forecast_too() -> None:
    """Lives of 550 to 650 days, and one valve nothing is known of for 3800: in doubles it can't be, yet it is due."""
    tight = [
        valve("V1", *rebuilds(600, 1150, 1800, 2390, 3000, 3620)),
        valve("V2", *rebuilds(580, 1190, 1790, 2400, 3020, 3610)),
    ]
    old = replace(valve("V3"), installed=-300, records_begin=200)
    made = forecast(plant(*tight, old))
    assert made.fleet.ages[-1].age is None
    assert made.demand["area of V3", "KT"][MONTH].mean == pytest.approx(1.0, abs=1e-6)


def test_a_removed_valve_takes_nothing_but_its_lives_count() -> None:
    gone = replace(WET[2], removed=3900)
    made = forecast(plant(*WET[:2], gone))
    assert ("area of V3", "KT") not in made.demand
    assert len(made.fleet.lives) == len(forecast(plant(*WET)).fleet.lives)


def test_trends_are_tested_where_there_were_failures() -> None:
    quiet = valve("V7", service_class="quiet")
    made = forecast(plant(*WET, quiet))
    assert set(made.trends) == {("wet", "trim")}
    assert made.trends["wet", "trim"].failures == 15


def test_a_plant_of_nothing_has_no_demand() -> None:
    made = forecast(plant())
    assert (made.lifetimes, dict(made.demand), dict(made.decisions)) == ((), {}, {})


@pytest.mark.parametrize(
    "changed", [{"designs": {"V1": "D", "V2": "E", "V3": "D"}}, {"designs": {"V1": "D", "V3": "D"}}], ids=str
)
def test_a_valve_without_a_design_with_items_is_refused(changed: dict[str, dict[str, str]]) -> None:
    with pytest.raises(InvalidInput, match=r"every valve needs a design with items, got none for \['V2'\]"):
        forecast(plant(*WET, **changed))


def test_equal_lives_have_a_defined_answer_and_nothing_warns() -> None:
    """Twenty lives of just 700 days: the next failures come on that day, as far as dates can tell."""
    histories = [valve(f"V{number}", *rebuilds(700, 1400, 2100, 2800, 3500)) for number in range(4)]
    made = forecast(
        Plant(
            as_of=AS_OF,
            histories=tuple(histories),
            designs={one.valve: "D" for one in histories},
            design_items={"D": (TRIM_KIT,)},
            intervals={},
            windows=(MONTH, (190.0, 210.0), (210.0, 365.0)),
            areas={},
            questions=(),
        )
    )
    assert [one.mean for one in made.demand["", "KT"].values()] == pytest.approx([0.0, 4.0, 0.0], abs=0.01)
    (in_use,) = made.lifetimes
    assert in_use.lifetime is not None
    assert in_use.lifetime.shape < 2500.0
