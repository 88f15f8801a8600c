"""Back-tests on tiny plants: nothing dated later is seen, scores are those of the formulas."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import poisson

from forecasting import backtest as module
from forecasting.arrays import FloatArray
from forecasting.backtest import Backtest, BacktestPlan, Level, Taking, backtest, origins_within
from forecasting.backtest_scores import Case, Score, Unit, Verdict, scores_of
from forecasting.errors import InvalidInput
from forecasting.exchanges import ExchangeTaking
from forecasting.histories import Action, Event, History
from forecasting.issue_demand import PERIOD
from forecasting.past_plants import history_at, plant_at
from forecasting.pipeline import DesignItem, Forecast, Plant, forecast

ORIGIN, HORIZON = 2000, 365.0
BEGINS = 0
DAYS = {
    "V1": (300, 650, 1040, 1420, 1810, 2150, 2300),
    "V2": (210, 590, 900, 1333, 1700, 2050),
    "V3": (480, 770, 1210, 1555, 1930, 2330, 2600),
}


def rebuilt(*days: int) -> tuple[Event, ...]:
    return tuple(Event(ref=f"E{day}", action=Action.REBUILD, done=day) for day in days)


def valve(tag: str, *days: int) -> History:
    return History(
        valve=tag, service_class="air", items=("seat",), records_begin=BEGINS, installed=0, events=rebuilt(*days)
    )


def plant(histories: tuple[History, ...], *, as_of: int = 2700) -> Plant:
    return Plant(
        as_of=as_of,
        histories=histories,
        designs={history.valve: "D" for history in histories},
        design_items={"D": (DesignItem(item="seat", kit="K", qty=2, renews=frozenset({"seat"})),)},
        intervals={},
        windows=(),
        areas={"U1": frozenset({"V1"}), "U2": frozenset({"V2", "V3"})},
        questions=(),
    )


WHOLE = plant(tuple(valve(tag, *days) for tag, days in DAYS.items()))
TAKEN = [Taking(kit="K", valve=tag, day=day, qty=2) for tag, days in DAYS.items() for day in days]
PLAN = BacktestPlan(
    origins=(ORIGIN,),
    horizon=HORIZON,
    levels=(Level(storeroom="S", kit="K", days=90.0, target=0.9, present=1),),
    storerooms={"S": frozenset({"V2", "V3"})},
)


def scores(made: Backtest, *, storeroom: str = "") -> dict[str, Score]:
    return {one.method: one for one in made.scores if (one.unit.kit, one.unit.storeroom) == ("K", storeroom)}


def test_the_forecast_is_that_of_a_record_exported_on_the_day() -> None:
    """And its score the sum over counts of squared differences, beside what came: V1 at 2150, 2300, V2 and V3 once."""
    exported = plant(
        tuple(valve(tag, *(day for day in days if day <= ORIGIN)) for tag, days in DAYS.items()), as_of=ORIGIN
    )
    chances = (
        forecast(replace(exported, windows=((0.0, 90.0), (0.0, HORIZON)))).demand["", "K"][0.0, HORIZON].probabilities
    )
    came = 2 * sum(ORIGIN < day <= ORIGIN + HORIZON for days in DAYS.values() for day in days)
    assert came == 8
    reached = np.cumsum(np.pad(chances, (0, max(came + 1 - len(chances), 0))))
    ours = scores(backtest(WHOLE, TAKEN, plan=PLAN))["forecast"]
    assert ours.crps == pytest.approx(sum((p - (k >= came)) ** 2 for k, p in enumerate(reached)), abs=1e-9)
    assert (ours.came, ours.forecasts) == (8.0, 1)
    assert ours.bias == pytest.approx(float(chances @ np.arange(len(chances))) - 8.0, abs=1e-9)


def with_later_changes(whole: Plant) -> Plant:
    """The same plant with quite another life after the origin."""
    changed = []
    for history in whole.histories:
        kept = tuple(event for event in history.events if event.done <= ORIGIN)
        later = (
            *rebuilt(2001, 2010, 2020, 2030),
            Event(ref="month", action=Action.REBUILD, done=1995, done_spread=30),
            Event(ref="moved", action=Action.RECLASSIFY, done=2040, class_from="air"),
        )
        changed.append(
            replace(
                history, events=(*kept, *later), service_class="steam", removed=2050, last_renewed={"seat": ORIGIN + 1}
            )
        )
    exchanges = {"V1": (ExchangeTaking(day=2001, issued=(2005,), kits=("K",)),)}
    return replace(whole, histories=tuple(changed), exchanges=exchanges)


def test_nothing_dated_after_the_origin_changes_the_forecast() -> None:
    before, after = (
        plant_at(one, ORIGIN, windows=((0.0, HORIZON),), youngest=365) for one in (WHOLE, with_later_changes(WHOLE))
    )
    assert before.histories == after.histories
    assert after.exchanges == {"V1": ()}
    chances = [forecast(one).demand["", "K"][0.0, HORIZON].probabilities.tolist() for one in (before, after)]
    assert chances[0] == chances[1]


def test_a_look_ahead_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mutant: a plant that keeps what it knows today, told as of the origin."""

    def looking_ahead(whole: Plant, origin: int, *, windows: tuple[tuple[float, float], ...], youngest: int) -> Plant:
        ages = tuple(replace(one, service_class="steam") for one in whole.histories)
        return replace(plant_at(whole, origin, windows=windows, youngest=youngest), histories=ages)

    changed = with_later_changes(WHOLE)
    honest = scores(backtest(changed, TAKEN, plan=PLAN))["forecast"]
    assert honest == scores(backtest(WHOLE, TAKEN, plan=PLAN))["forecast"]
    monkeypatch.setattr(module, "plant_at", looking_ahead)
    assert scores(backtest(changed, TAKEN, plan=PLAN))["forecast"] != honest


def test_what_the_baselines_know_ends_with_the_origin() -> None:
    before = scores(backtest(WHOLE, TAKEN, plan=PLAN))
    fewer = [one for one in TAKEN if one.day <= ORIGIN]
    after = scores(backtest(WHOLE, fewer, plan=PLAN))
    assert after["plain mean rate"].came == 0.0
    # mean forecast: bias plus what came
    for method in ("plain mean rate", "SBA", "TSB", "exponential smoothing"):
        means = [one[method].bias or 0.0 for one in (before, after)]
        assert means[0] + 8.0 == pytest.approx(means[1])
    taken = sum(one.qty for one in fewer)
    rate = taken / round(ORIGIN / PERIOD)
    assert after["plain mean rate"].bias == pytest.approx(rate * HORIZON / PERIOD, rel=1e-9)


def test_a_level_kept_is_scored_beside_the_quantile_at_its_target() -> None:
    """In 90 days V2 took 2 kits, on day 2050; the level of 1 was one short: 0.9 each."""
    found = scores(backtest(WHOLE, TAKEN, plan=PLAN), storeroom="S")
    present, mean = found["present level"], found["plain mean rate"]
    assert (present.came, present.reached) == (2.0, 0.0)
    assert present.pinball == pytest.approx(0.9)
    taken = sum(one.qty for one in TAKEN if one.day <= ORIGIN and one.valve != "V1")
    stated = poisson.ppf(0.9, taken / round(ORIGIN / PERIOD) * 90.0 / PERIOD)
    assert mean.pinball == pytest.approx(0.1 * (stated - 2.0) if stated >= 2 else 0.9 * (2.0 - stated))
    assert mean.unit.target == 0.9
    assert (present.crps, present.verdict) == (None, Verdict.UNKNOWN)


def test_valves_too_young_or_to_come_are_left_out_on_both_sides() -> None:
    young = replace(valve("V4", 1950, 2100), records_begin=ORIGIN - 364)
    later = replace(valve("V5", 2200), installed=ORIGIN + 1)
    more = plant((*WHOLE.histories, young, later))
    taken = [*TAKEN, Taking(kit="K", valve="V4", day=2100, qty=9), Taking(kit="K", valve="V5", day=2200, qty=9)]
    assert scores(backtest(more, taken, plan=PLAN)) == scores(backtest(WHOLE, TAKEN, plan=PLAN))


def test_a_kit_of_no_design_has_the_history_of_the_youngest_record(monkeypatch: pytest.MonkeyPatch) -> None:
    """Events may name kits that designs don't: a forecast that follows them is scored, too."""

    def following(past: Plant) -> Forecast:
        made = forecast(past)
        return replace(made, demand={**made.demand, ("", "ODD"): made.demand["", "K"]})

    monkeypatch.setattr(module, "forecast", following)
    odd = [Taking(kit="ODD", valve="V1", day=day, qty=1) for day in (100, 1500, 2100)]
    made = backtest(WHOLE, [*TAKEN, *odd], plan=PLAN)
    found = {one.method: one for one in made.scores if one.unit.kit == "ODD"}
    assert found["forecast"].came == 1.0
    assert found["plain mean rate"].bias == pytest.approx(2 / round(ORIGIN / PERIOD) * HORIZON / PERIOD - 1.0, rel=1e-9)


def test_turnarounds_known_today_are_known_then_by_area() -> None:
    """Opportunistic at 200 days: both valves of U2 are old enough on day 2100, so 4 kits are certain."""
    stopped = replace(WHOLE, turnarounds={"U2": (2100,)}, opportunities={("air", "seat"): 1.0})
    ours = scores(backtest(stopped, [], plan=PLAN), storeroom="S")["forecast"]
    assert ours.came == 0.0
    assert ours.bias == pytest.approx(scores(backtest(WHOLE, [], plan=PLAN), storeroom="S")["forecast"].bias, abs=1e-9)
    near = replace(PLAN, levels=(replace(PLAN.levels[0], days=110.0),))
    ours = scores(backtest(stopped, [], plan=near), storeroom="S")["forecast"]
    plain = scores(backtest(WHOLE, [], plan=near), storeroom="S")["forecast"]
    assert (ours.bias or 0.0) > (plain.bias or 0.0) + 2.0


def test_an_event_of_a_month_is_known_once_the_month_is_over() -> None:
    event = Event(ref="", action=Action.REBUILD, done=100, done_spread=30)
    history = replace(valve("V"), events=(event,))
    assert [len(history_at(history, day).events) for day in (100, 114, 115)] == [0, 0, 1]


def test_the_class_is_the_one_the_next_change_led_away_from() -> None:
    moves = (("air", 500), ("steam", 900))
    events = tuple(Event(ref=old, action=Action.RECLASSIFY, done=day, class_from=old) for old, day in moves)
    history = replace(valve("V"), service_class="water", events=events)
    assert [history_at(history, day).service_class for day in (499, 500, 900)] == ["air", "steam", "water"]


UNIT = Unit(storeroom="", kit="K", days=365.0)
SURE, EVEN = np.array([0.0, 1.0]), np.array([0.5, 0.5])


def case(origin: int, came: int, **distributions: FloatArray) -> Case:
    return Case(unit=UNIT, origin=origin, came=came, distributions=distributions)


@pytest.mark.parametrize(("step", "factor"), [(365, 1.0), (182, np.sqrt(1.0 + 2.0 * (1.0 - 182 / 365)))])
def test_the_error_of_a_difference_counts_origins_and_their_overlap(step: int, factor: float) -> None:
    """Two origins: differences 0.25 and -0.75 in crps, standard deviation 0.7071."""
    cases = [case(0, 1, a=EVEN, b=SURE), case(step, 0, a=EVEN, b=SURE)]
    score = next(one for one in scores_of(cases, ours="a", present="-") if (one.unit.kit, one.method) == ("K", "b"))
    assert score.difference == pytest.approx(-0.25)
    assert score.difference_error == pytest.approx(0.5 * factor)
    assert score.verdict is Verdict.ALIKE


def test_a_method_that_is_better_beyond_its_error_is_named() -> None:
    cases = [case(365 * number, 1, a=EVEN, b=SURE) for number in range(3)]
    verdicts = {(one.unit.kit, one.method): one.verdict for one in scores_of(cases, ours="a", present="-")}
    assert verdicts["K", "b"] is verdicts["", "b"] is Verdict.WORSE
    reversed_ = {one.method: one.verdict for one in scores_of(cases, ours="b", present="-")}
    assert reversed_["a"] is Verdict.BETTER


def test_origins_leave_a_year_of_record_and_the_horizon() -> None:
    assert origins_within(begins=0, ends=730, horizon=365, step=182, most=8) == (365,)
    assert origins_within(begins=0, ends=729, horizon=365, step=182, most=8) == ()
    assert len(origins_within(begins=0, ends=9000, horizon=365, step=182, most=8)) == 8


def test_a_horizon_that_has_not_passed_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`origins` must lie 365 days before the data cut-off"):
        backtest(WHOLE, TAKEN, plan=replace(PLAN, origins=(2400,)))
    with pytest.raises(InvalidInput, match="`origins` needs a day to forecast from"):
        backtest(WHOLE, TAKEN, plan=replace(PLAN, origins=()))
