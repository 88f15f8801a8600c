"""Laws that hold for every history: time is neither lost nor made up, order doesn't matter, later days are not read."""

from dataclasses import replace
from random import Random

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.clocks import WatchedValve
from forecasting.histories import WHOLE_VALVE, Action, AsFound, Event, History
from forecasting.lives import lives_from_histories
from forecasting.watching import watch
from tests.strategies import CI, cut_offs, histories, histories_of_different_days


def begin_of(history: History) -> int:
    """First day watched."""
    return history.records_begin if history.installed is None else max(history.records_begin, history.installed)


def end_of(history: History, as_of: int) -> int:
    """Day after the last day watched."""
    return as_of if history.removed is None else min(as_of, history.removed)


def renewed_by(event: Event, items: tuple[str, ...]) -> set[str]:
    """Rule 1, said a second time."""
    if event.action is Action.EXCHANGE:
        return set(items)
    if event.action is not Action.REBUILD:
        return set()
    by_kits = set(items) & set(event.kits_renew or ())
    return set(items) & set(event.renewed or ()) or by_kits or set(items)


def found_failed_by(event: Event, items: tuple[str, ...]) -> set[str]:
    """Items that an event found failed; a valve nobody described failed if a part of it did."""
    failed = {item for item, state in event.as_found.items() if state is AsFound.FAILED}
    if event.action is Action.RECLASSIFY:
        return set()
    return set(items) if failed and items == (WHOLE_VALVE,) and WHOLE_VALVE not in event.as_found else failed


def days_of_life(history: History, item: str, as_of: int) -> int:
    """Days on which an item of known age was at risk: rules 2, 3, 5 and 6 told day by day, without clocks."""
    begin, end, items = begin_of(history), end_of(history, as_of), history.items
    events = [event for event in history.events if begin <= event.done <= end]
    renewals = {event.done for event in events if item in renewed_by(event, items)}
    waits = [(event.found_day, event.done) for event in events if item in renewed_by(event, items)]
    stated, installed = history.last_renewed.get(item), history.installed
    new_when_begun = installed is not None and installed >= history.records_begin
    if stated is not None and begin < stated <= end:
        renewals.add(stated)
    stated_before = stated is not None and stated <= begin and (installed is None or installed <= stated)
    for event in events:
        if item in found_failed_by(event, items) - renewed_by(event, items):
            later = [day for day in renewals if day > event.found_day]
            waits.append((event.found_day, min(later, default=end)))
    return sum(
        (new_when_begun or stated_before or any(renewal <= day for renewal in renewals))
        and not any(found <= day < done for found, done in waits)
        for day in range(begin, end)
    )


def days_in(told: WatchedValve, item: str) -> float:
    """Total life of an item; an interval of one day is a life of 0 days, which ended when it began."""
    total = 0.0
    for life in told.lives:
        if life.item == item:
            known_end = np.isfinite(life.upper) and life.upper - life.lower != 1.0
            total += (life.upper if known_end else life.lower) - life.entry
    return total


@CI
@given(history=histories_of_different_days(), as_of=cut_offs())
def test_total_life_is_time_watched_less_unknown_starts_and_found_to_done(history: History, as_of: int) -> None:
    """Equal to the day; less only where a finding says that a masked cause could not be shared out."""
    told = watch(history, as_of=as_of)
    left_out = any(finding.kind == "cause_not_said" and finding.lives_lost for finding in told.findings)
    for item in history.items:
        days, expected = days_in(told, item), days_of_life(history, item, as_of)
        assert days == expected or (left_out and days < expected), item


@settings(CI, max_examples=200)
@given(history=histories(), as_of=cut_offs())
def test_the_windows_of_each_item_tile_the_time_watched(history: History, as_of: int) -> None:
    """No gap, no overlap, a new class in each window, the failures inside; no window of a valve never watched."""
    told = watch(history, as_of=as_of)
    begin, end = begin_of(history), end_of(history, as_of)
    for item in history.items:
        windows = [window for window in told.watches if window.item == item]
        edges = [begin, *(window.end for window in windows)] if begin < end else [end]
        assert [window.begin for window in windows] == edges[:-1]
        assert edges[-1] == end
        assert all(window.begin <= day <= window.end for window in windows for day in window.failures)


@CI
@given(history=histories(), as_of=cut_offs(), chance=st.randoms())
def test_the_order_of_valves_and_events_is_irrelevant(history: History, as_of: int, chance: Random) -> None:
    """The same columns, ages, windows and findings, of a valve and of one with part of its events."""
    fleet = [history, replace(history, valve="V0", events=history.events[::2])]
    straight = lives_from_histories(fleet, as_of=as_of)
    shuffled = [
        replace(history, events=tuple(chance.sample(history.events, len(history.events))))
        for history in chance.sample(fleet, len(fleet))
    ]
    assert repr(lives_from_histories(shuffled, as_of=as_of)) == repr(straight)


@settings(CI, max_examples=200)
@given(history=histories(), as_of=cut_offs())
def test_days_after_the_cut_off_are_not_read(history: History, as_of: int) -> None:
    """Only a later change of service is, to know the class until then."""
    kept = [event for event in history.events if event.done <= as_of or event.action is Action.RECLASSIFY]
    assert watch(replace(history, events=tuple(kept)), as_of=as_of) == watch(history, as_of=as_of)


@settings(CI, max_examples=200)
@given(history=histories(), as_of=cut_offs())
def test_every_life_is_possible(history: History, as_of: int) -> None:
    """`Lives` refuses impossible ages; each item of a valve in service has one age, none negative."""
    fleet = lives_from_histories([history], as_of=as_of)
    in_service = (history.removed is None or history.removed > as_of) and (history.installed or -999) <= as_of
    assert [age.item for age in fleet.ages] == (list(history.items) if in_service else [])
    assert all((age.age or 0) >= 0 and age.survived >= 0 for age in fleet.ages)
