"""Kits dated where they are used: groups of valves counted, their kits moved to when the removed valve is rebuilt."""

from dataclasses import replace

import numpy as np
import pytest

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, TakeUp, kits_taken
from forecasting.exchanges import ExchangeTaking
from forecasting.histories import Action, Event, History
from forecasting.kit_dates import KitDates, kit_dates, kits_when_used, windows_to_count
from forecasting.kit_links import ItemPlan
from forecasting.lifetimes import Weibull
from forecasting.pipeline import DesignItem, Plant, forecast

AS_OF = 4000
MONTHS = [(30.0 * month, 30.0 * month + 30.0) for month in range(12)]
YEAR = (0.0, 360.0)


def seen(action: Action, *, renewals: int = 4) -> History:
    """Renewals of one kind, once in 365 days."""
    events = tuple(Event(ref="", action=action, done=AS_OF - 265 - 365 * back) for back in range(renewals))
    return History(valve="V", service_class="air", items=("seat",), records_begin=0, installed=0, events=events)


def exchanges(*, delay: int) -> dict[str, tuple[ExchangeTaking, ...]]:
    """Exchanges whose kits were issued so many days later."""
    days = [AS_OF - 265 - 365 * back for back in range(4)]
    return {"V": tuple(ExchangeTaking(day=day, issued=(day + delay,), kits=("K",)) for day in days)}


def group(lifetime: Weibull, *, age: int, interval: float = np.inf, stops: tuple[float, ...] = ()) -> Group:
    """Make a group of one valve with one item."""
    plan = ItemPlan(
        item="seat",
        lifetime=lifetime,
        interval=interval,
        opportunity=np.inf if not stops else 0.0,
        kit="K",
        qty=2,
        renews=frozenset({"seat"}),
    )
    stands = ItemAge(
        valve="V", item="seat", service_class="air", age=age, survived=age, in_place=age, awaits_renewal=False
    )
    return Group(
        plans=(plan,),
        valves=("V",),
        ages=({"seat": stands},),
        turnarounds=stops,
        service_class="air",
        design="GLOBE",
    )


def used(one: Group, dates: KitDates, *, running: list[tuple[float, float]]) -> TakeUp:
    """Count and date the one kit of a group."""
    windows = [*MONTHS, YEAR]
    counted = kits_taken(one, windows_to_count(one, [*windows, *running], dates=dates), running=running)[0]
    return kits_when_used(counted, one, windows, running=running, dates=dates)


def dates_of(history: History, done: dict[str, tuple[ExchangeTaking, ...]]) -> KitDates:
    return kit_dates([history], done, designs={"V": "GLOBE"}, as_of=AS_OF)


def test_a_planned_renewal_by_exchange_takes_its_kits_when_the_removed_valve_is_rebuilt() -> None:
    # planned 365 days after the last one, so in 100 days, in (90, 120]; 60 days later: (150, 180]. All are exchanges.
    planned = group(Weibull(scale=1e9, shape=2.0), age=265, interval=365.0)
    taken = used(planned, dates_of(seen(Action.EXCHANGE), exchanges(delay=60)), running=[])
    assert [round(float(taken.planned[month][0]), 6) for month in MONTHS] == [0, 0, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0]
    np.testing.assert_allclose(taken.probabilities[MONTHS[5]][0, :2], [0.0, 1.0], atol=1e-8)
    np.testing.assert_allclose(taken.probabilities[MONTHS[3]][0, :2], [1.0, 0.0], atol=1e-8)
    assert set(taken.probabilities) == {*MONTHS, YEAR}


def test_a_turnaround_renewal_by_exchange_is_turnaround_demand_after_it() -> None:
    stopped = group(Weibull(scale=1e9, shape=2.0), age=265, stops=(30.0,))
    taken = used(stopped, dates_of(seen(Action.EXCHANGE), exchanges(delay=60)), running=[YEAR])
    # the first day of the turnaround is the last of the first month; 60 days later is the last of the third
    assert sum(float(taken.turnaround[month][0]) for month in MONTHS) == pytest.approx(2.0)
    assert float(taken.turnaround[MONTHS[0]][0] + taken.turnaround[MONTHS[1]][0]) == pytest.approx(0.0, abs=1e-9)
    assert taken.running[YEAR][0, 0] == pytest.approx(1.0, abs=1e-8)


def test_where_valves_are_not_exchanged_nothing_is_touched() -> None:
    rebuilt = group(Weibull(scale=900.0, shape=2.0), age=265)
    dates = dates_of(seen(Action.REBUILD), {})
    assert windows_to_count(rebuilt, [*MONTHS, YEAR], dates=dates) == [*MONTHS, YEAR]
    counted = kits_taken(rebuilt, [*MONTHS, YEAR])[0]
    assert kits_when_used(counted, rebuilt, MONTHS, running=[], dates=dates) == counted


def test_what_an_exchange_still_owes_is_added_to_the_kits_it_owes() -> None:
    done = exchanges(delay=60)
    waiting = ExchangeTaking(day=AS_OF - 10, issued=(), kits=("K",))
    rebuilt = group(Weibull(scale=1e9, shape=2.0), age=10)
    owed = used(rebuilt, dates_of(seen(Action.EXCHANGE), {"V": (*done["V"], waiting)}), running=[YEAR])
    # exchanged 10 days ago, its kits leave the shelf 60 days after: in (30, 60]
    assert [round(float(owed.unplanned[month][0]), 6) for month in MONTHS[:4]] == [0, 2, 0, 0]
    np.testing.assert_allclose(owed.probabilities[MONTHS[1]][0, :2], [0.0, 1.0], atol=1e-8)
    np.testing.assert_allclose(owed.running[YEAR][0, :2], [0.0, 1.0], atol=1e-8)
    other = used(
        rebuilt, dates_of(seen(Action.EXCHANGE), {"V": (*done["V"], replace(waiting, kits=("OTHER",)))}), running=[]
    )
    assert other.probabilities[YEAR][0, 0] == pytest.approx(1.0, abs=1e-8)


def test_renewals_that_wear_agree_with_a_simulation_of_exchanges_and_their_shop() -> None:
    """Mean, chance of none and variance by month; half of the renewals by exchange, kits after 45 or 120 days."""
    rng, runs = np.random.default_rng(11), 200_000
    lifetime, share = Weibull(scale=200.0, shape=2.0), 0.5
    done = {"V": tuple(ExchangeTaking(day=day, issued=(day + 45, day + 120), kits=("K",)) for day in (1000, 2000))}
    history = seen(Action.REBUILD)
    dates = replace(dates_of(history, done), shares=replace(dates_of(history, done).shares, plant=share, by_sample={}))
    taken = used(group(lifetime, age=0), dates, running=[])
    days = np.cumsum(200.0 * rng.weibull(2.0, (runs, 12)), axis=1)
    later = (rng.random(days.shape) < share) * rng.choice([45.0, 120.0], days.shape)
    for window in (*MONTHS, YEAR):
        kits = np.count_nonzero((days + later > window[0]) & (days + later <= window[1]), axis=1)
        chances = taken.probabilities[window][0]
        n, error = np.arange(len(chances)), kits.std() / np.sqrt(runs)
        mean = chances @ n
        assert 2 * mean == pytest.approx(taken.unplanned[window][0], rel=1e-6)
        # expected renewals bend within a month: a rate growing by a 20,000th a day, 30^2 / 8 times that
        assert mean == pytest.approx(kits.mean(), abs=4 * error + 30**2 / 8 / 20_000)
        assert chances[0] == pytest.approx((kits == 0).mean(), abs=0.012)
        # what stays is thinned evenly over the window, what comes is taken as independent: both widen
        assert 0.98 * kits.var() < chances @ n**2 - mean**2 < 1.06 * kits.var()


def plant(history: History, done: dict[str, tuple[ExchangeTaking, ...]]) -> Plant:
    return Plant(
        as_of=AS_OF,
        histories=(history,),
        designs={"V": "GLOBE"},
        design_items={"GLOBE": (DesignItem(item="seat", kit="K", qty=1, renews=frozenset({"seat"})),)},
        intervals={},
        windows=(*MONTHS, YEAR),
        areas={},
        questions=(),
        exchanges=done,
    )


def test_a_forecast_moves_by_the_delay_and_exchanges_without_issues_change_only_what_is_said() -> None:
    history = seen(Action.EXCHANGE)
    known = [forecast(plant(history, exchanges(delay=delay))).demand["", "K"] for delay in (0, 60)]
    unknown = {"V": tuple(replace(one, issued=()) for one in exchanges(delay=0)["V"])}
    before, silent = forecast(plant(history, {})), forecast(plant(history, unknown))
    for month in MONTHS:
        for same in (known[0], silent.demand["", "K"]):
            np.testing.assert_array_equal(same[month].probabilities, before.demand["", "K"][month].probabilities)
    # nothing is renewed before now, so nothing is used in the first 60 days
    assert [known[1][month].mean for month in MONTHS[:2]] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert known[1][MONTHS[2]].mean == pytest.approx(before.demand["", "K"][MONTHS[0]].mean, rel=1e-6)
    assert [one.note for one in silent.taken] == [
        "no kit was issued for an exchange a year old or older: taken on the day of the exchange"
    ]
