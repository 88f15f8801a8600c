"""One valve watched from the day its records begin to as_of: its lives, present ages and findings, rule by rule.

The rule numbers are those of DEVELOPERS.md, "Ten rules for lives".
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

from forecasting.clocks import LONGEST_SPREAD, Clock, WatchedValve, Watcher
from forecasting.endings import scope
from forecasting.histories import WHOLE_VALVE, Action, AsFound, Event, History, Reason

RENEWALS = frozenset({Action.REBUILD, Action.EXCHANGE})
LIKELY_DUPLICATE_DAYS = 10
"""Two renewals of the same items no further apart are pointed out (common practice, no source)."""
ORDER_OF_A_DAY = {Action.INSPECT: 0, Action.REBUILD: 1, Action.EXCHANGE: 1, Action.RECLASSIFY: 2}
"""What is looked at, then renewed, then put into other service on one day."""


def _as_one_item(event: Event) -> Event:
    """Read what was found on a valve whose items nobody described: it is as bad as the worst of its parts."""
    if WHOLE_VALVE in event.as_found:
        return event
    found = set(event.as_found.values())
    worst = AsFound.FAILED if AsFound.FAILED in found else AsFound.WORN
    return replace(event, as_found={WHOLE_VALVE: worst} if worst in found else {})


def _told(history: History, item: str, day: int) -> bool:
    """Whether an event tells of this item's renewal on this day."""
    return any(event.done == day and item in scope(event, history.items) for event in history.events)


def _clocks(history: History, begin: int) -> dict[str, Clock]:
    """Start a clock for each item: at installation, at a stated renewal, or unknown (rules 1 to 3)."""
    installed, clocks = history.installed, {}
    for item in history.items:
        stated = history.last_renewed.get(item)
        start = installed if installed is not None and installed >= history.records_begin else None
        in_place = stated is not None and stated <= begin and (installed is None or stated >= installed)
        if start is None and in_place and not (stated == begin and _told(history, item, begin)):
            start = stated
        clocks[item] = Clock(item=item, entered=begin, start=start, since=begin, watch_begin=begin)
    return clocks


def _stated_renewals(history: History, begin: int) -> Iterator[Event]:
    """Renewals stated on the valve that fall inside the records and that no event tells of (rule 1)."""
    for item, day in sorted(history.last_renewed.items()):
        if day > begin and item in history.items and not _told(history, item, day):
            yield Event(ref="", action=Action.REBUILD, done=day, reason=Reason.PLANNED, renewed=frozenset({item}))


def _usable(watcher: Watcher, events: list[Event], *, begin: int, as_of: int) -> Iterator[Event]:
    """Events inside the watch; those that can't be true become findings (rules 2, 10)."""
    installed, removed = watcher.history.installed, watcher.history.removed
    for event in events:
        if event.done > as_of:
            continue
        if installed is not None and event.done < installed:
            watcher.find("before_installation", event.ref, "done before the valve was installed", "not used")
        elif removed is not None and event.done > removed:
            watcher.find("after_removal", event.ref, "done after the valve was removed", "not used")
        elif event.done >= begin:
            yield event
        elif event.action in RENEWALS:
            treatment = "neither a failure nor a start; state it as last_renewed_on if it is sure"
            watcher.find("before_records", event.ref, "done before the records begin", treatment)


def _note_valve(watcher: Watcher) -> None:
    """Note what the register leaves unsaid or what can't be true of it (rules 3, 10)."""
    history = watcher.history
    installed, removed = history.installed, history.removed
    if installed is not None and removed is not None and removed < installed:
        watcher.find("after_removal", "", "removed before it was installed", "nothing of this valve is used")
    for item, day in sorted(history.last_renewed.items()):
        if item not in history.items:
            watcher.find("not_of_design", "", f"last renewal of {item}, which its design doesn't have", "not used")
        elif installed is not None and day < installed:
            detail = f"last renewal of {item} stated before the valve was installed"
            watcher.find("before_installation", "", detail, "not used")
    unknown = [clock.item for clock in watcher.clocks.values() if clock.start is None]
    if unknown:
        treatment = "left out of the fit up to the first renewal; a distribution of ages in the forecast"
        watcher.find("unknown_start", "", f"start unknown: {', '.join(unknown)}", treatment, len(unknown))


def _note_doubts(watcher: Watcher, event: Event) -> None:
    """Note what an event leaves unsaid (rule 10)."""
    items = frozenset(watcher.history.items)
    stated = (event.renewed or frozenset()) | (event.kits_renew or frozenset())
    foreign = (stated | set(event.as_found)) - items
    if foreign and items != {WHOLE_VALVE}:
        detail = f"names {', '.join(sorted(foreign))}, which its design doesn't have"
        watcher.find("not_of_design", event.ref, detail, "no life of theirs is counted")
    if event.last_ok is not None and event.last_ok > event.found_first + event.found_within:
        watcher.find("last_ok_too_late", event.ref, "last ok after it was found", "the last inspection counts instead")
    if event.action is Action.REBUILD and len(items) > 1 and not items & stated:
        watcher.find("scope_assumed", event.ref, "neither items nor kits are stated", "every item taken as renewed")
    if event.action in RENEWALS and event.done_spread > LONGEST_SPREAD:
        detail = f"done on an unknown one of {event.done_spread + 1} days"
        watcher.find("unknown_start", event.ref, detail, "what it renewed gives no life up to the next renewal")
    if event.action in RENEWALS and event.reason is Reason.UNSTATED:
        watcher.find("reason_assumed", event.ref, "no reason is stated", "taken as a failure")


def _note_repeats(watcher: Watcher, events: list[Event]) -> None:
    """Note renewals of the same items within days of each other (rule 10)."""
    last: dict[frozenset[str], Event] = {}
    for event in events:
        renewed = scope(event, watcher.history.items)
        first = last.get(renewed)
        if renewed and first is not None and event.done - first.done <= LIKELY_DUPLICATE_DAYS:
            detail = f"renews what {first.ref or 'another event'} renewed {event.done - first.done} days before"
            treatment = "both counted; merge them if they are one"
            watcher.find("likely_duplicate", event.ref, detail, treatment, other_ref=first.ref)
        last[renewed] = event


def _classes(history: History, changes: list[Event]) -> list[str]:
    """Service classes before, between and after the changes, told backwards from the present one (rule 7)."""
    classes = [history.service_class]
    for event in reversed(changes):
        classes.append(event.class_from or classes[-1])
    return classes[::-1]


def _note_chain(watcher: Watcher, changes: list[Event], classes: list[str]) -> None:
    """Note changes of service that change nothing (rule 7)."""
    for event, old, new in zip(changes, classes, classes[1:], strict=False):
        if old == new:
            detail = f"service changed from {event.class_from or 'a class not stated'} to {new}"
            watcher.find("class_chain", event.ref, detail, "no change of class")


def _in_order_of_days(event: Event, day: int) -> tuple[int, int, int, int, str, str]:
    """Sort key of what an event found or did on a day."""
    return day, ORDER_OF_A_DAY[event.action], event.found_day, event.done, event.action, event.ref


def _walk(watcher: Watcher, events: list[Event]) -> None:
    """Let every event act twice, on the day its need was found and on the day it was done."""
    steps: list[tuple[int, Callable[[Event], None], Event]] = []
    for event in events:
        if event.action is Action.RECLASSIFY:
            steps.append((event.done, watcher.reclassify, event))
        else:
            steps += [(event.found_day, watcher.find_out, event), (event.done, watcher.renew, event)]
    for _, act, event in sorted(steps, key=lambda step: _in_order_of_days(step[2], step[0])):
        act(event)


def watch(history: History, *, as_of: int) -> WatchedValve:
    """Lives, present ages and findings of one valve.

    Parameters
    ----------
    history : History [history]
        What happened to it.
    as_of : int [day number]
        Data cut-off; events done after it are not read.

    Returns
    -------
    WatchedValve [lives, ages, findings]
        Nothing is watched of a valve installed after `as_of`.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives".

    Examples
    --------
    >>> seen = watch(History(valve="V1", service_class="air", items=("seat",), records_begin=0, installed=0), as_of=9)
    >>> seen.lives[0].lower, seen.lives[0].upper, seen.ages[0].age
    (9.0, inf, 9)
    """
    installed, removed = history.installed, history.removed
    if installed is not None and installed > as_of:
        return WatchedValve(lives=(), ages=(), watches=(), findings=())
    if history.items == (WHOLE_VALVE,):
        history = replace(history, events=tuple(_as_one_item(event) for event in history.events))
    begin = history.records_begin if installed is None else max(history.records_begin, installed)
    end = as_of if removed is None else min(removed, as_of)
    told = (*history.events, *_stated_renewals(history, begin))
    events = sorted(told, key=lambda event: _in_order_of_days(event, event.done))
    changes = [event for event in events if event.action is Action.RECLASSIFY]
    classes = _classes(history, changes)
    passed = sum(event.done < begin and event.done <= end for event in changes)
    start = min(begin, end)
    watcher = Watcher(history=history, begin=start, classes=classes[passed:], clocks=_clocks(history, start))
    _note_valve(watcher)
    _note_chain(watcher, [event for event in changes if event.done <= as_of], classes)
    usable = list(_usable(watcher, events, begin=begin, as_of=as_of))
    _note_repeats(watcher, usable)
    for event in usable:
        _note_doubts(watcher, event)
    _walk(watcher, usable)
    return watcher.finish(end, in_service=removed is None or removed > as_of)
