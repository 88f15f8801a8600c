"""Ways to treat a record wrongly: each puts a mistake in the place of a right treatment, for as long as a test runs."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from math import isfinite

import pytest

from forecasting import clocks, lives, watching
from forecasting.clocks import Clock, WatchedValve, Watcher
from forecasting.endings import Ending, endings, scope
from forecasting.histories import Event, History

Install = Callable[[pytest.MonkeyPatch], None]


def scope_of(wrong: Callable[[Event, tuple[str, ...]], frozenset[str]]) -> Install:
    """Renew the wrong items."""

    def install(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(clocks, "scope", wrong)
        patch.setattr(watching, "scope", wrong)

    return install


def scope_read_from(change: Callable[[Event], Event]) -> Install:
    """Tell what an event renewed from a changed event."""
    return scope_of(lambda event, items: scope(change(event), items))


def ended(wrong: Mapping[Ending, Ending]) -> Install:
    """Take one kind of ending for another."""

    def mistaken(event: Event, renewed: frozenset[str], *, already_failed: frozenset[str]) -> dict[str, Ending]:
        how = endings(event, renewed, already_failed=already_failed)
        return {item: wrong.get(ending, ending) for item, ending in how.items()}

    return lambda patch: patch.setattr(clocks, "endings", mistaken)


def event_read_as(change: Callable[[Event], Event]) -> Install:
    """Find out something else than the event says."""
    right = Watcher.find_out
    return lambda patch: patch.setattr(Watcher, "find_out", lambda self, event: right(self, change(event)))


def event_renewed_as(change: Callable[[Event], Event]) -> Install:
    """Start other lives than the event says."""
    right = Watcher.renew
    return lambda patch: patch.setattr(Watcher, "renew", lambda self, event: right(self, change(event)))


def valve_read_as(change: Callable[[History], History]) -> Install:
    """Watch something else than the register says."""
    right = watching.watch

    def watch(history: History, *, as_of: int) -> WatchedValve:
        return right(change(history), as_of=as_of)

    return lambda patch: patch.setattr(lives, "watch", watch)


def clock_set(change: Callable[[Clock, History], int | None]) -> Install:
    """Start the clocks of the records' first day wrongly."""
    right = watching._clocks

    def started(history: History, begin: int) -> dict[str, Clock]:
        begun = right(history, begin)
        return {item: replace(clock, start=change(clock, history)) for item, clock in begun.items()}

    return lambda patch: patch.setattr(watching, "_clocks", started)


def life_written_as(change: Callable[[float, float, float], tuple[float, float, float]]) -> Install:
    """Write down other ages than those lived."""
    right = Watcher.add_life

    def add_life(self: Watcher, clock: Clock, *, entry: float, lower: float, upper: float, cause: int) -> None:
        entry, lower, upper = change(entry, lower, upper)
        right(self, clock, entry=entry, lower=lower, upper=upper, cause=cause)

    return lambda patch: patch.setattr(Watcher, "add_life", add_life)


def life_dropped_if(unwanted: Callable[[Clock, Ending, int], bool]) -> Install:
    """Leave out some lives."""
    right = Watcher.end_life

    def end_life(
        self: Watcher,
        clock: Clock,
        ending: Ending,
        day: int,
        *,
        last_ok: int | None,
        cause: int,
        spread: int = 0,
    ) -> None:
        if not unwanted(clock, ending, day):
            right(self, clock, ending, day, last_ok=last_ok, cause=cause, spread=spread)

    return lambda patch: patch.setattr(Watcher, "end_life", end_life)


def usable(wrong: Callable[[Iterable[Event], int], Iterable[Event]]) -> Install:
    """Use other events than those inside the watch."""

    def chosen(watcher: Watcher, events: list[Event], *, begin: int, as_of: int) -> Iterator[Event]:
        return iter(wrong(events, as_of))

    return lambda patch: patch.setattr(watching, "_usable", chosen)


def replaced(owner: object, name: str, wrong: object) -> Install:
    """Put something else in place of a function."""
    return lambda patch: patch.setattr(owner, name, wrong)


def in_the_middle(entry: float, lower: float, upper: float) -> tuple[float, float, float]:
    """Take the middle of an interval for the end."""
    return (entry, (lower + upper) / 2, (lower + upper) / 2) if isfinite(upper) else (entry, lower, upper)


def restart_at_change(watcher: Watcher, event: Event) -> None:
    """Take a valve in new service for a new valve."""
    for clock in watcher.clocks.values():
        watcher.end_life(clock, Ending.CENSORED, event.done, last_ok=None, cause=watcher.next_cause())
        watcher.end_watch(clock, event.done)
        clock.start = clock.entered = event.done
    del watcher.classes[0]


def without_repeats(events: Iterable[Event], as_of: int) -> Iterator[Event]:
    """Merge in silence what was renewed twice within 10 days."""
    last: dict[frozenset[str] | None, int] = {}
    for event in events:
        if event.done - last.get(event.renewed, -99) > 10:
            yield event
        last[event.renewed] = event.done


def all_read(events: Iterable[Event], as_of: int) -> Iterable[Event]:
    """Use every event of any day."""
    return events
