"""One valve watched from the day its records begin to as_of: its lives, present ages and findings, rule by rule.

The rule numbers are those of DEVELOPERS.md, "Ten rules for lives".
"""

from collections.abc import Iterator

from forecasting.clocks import Clock, WatchedValve, Watcher
from forecasting.endings import MASKED, Ending, endings, scope
from forecasting.histories import Action, Event, History, Reason

LIKELY_DUPLICATE_DAYS = 10
"""Two renewals of the same items no further apart are pointed out (common practice, no source)."""


def _clocks(history: History, begin: int) -> dict[str, Clock]:
    """Start a clock for each item: at installation, at a stated renewal, or unknown (rules 1 to 3)."""
    clocks = {}
    for item in history.items:
        stated = history.last_renewed.get(item)
        start = history.installed if history.installed is not None and history.installed >= begin else None
        if start is None and stated is not None and stated <= begin:
            start = stated
        clocks[item] = Clock(item=item, entered=begin, start=start, since=begin, watch_begin=begin)
    return clocks


def _stated_renewals(history: History, begin: int) -> Iterator[Event]:
    """Renewals stated on the valve that fall inside the records and that no event tells of (rule 1)."""
    for item, day in sorted(history.last_renewed.items()):
        told = any(event.done == day and item in scope(event, history.items) for event in history.events)
        if day > begin and item in history.items and not told:
            yield Event(ref="", action=Action.REBUILD, done=day, reason=Reason.PLANNED, renewed=frozenset({item}))


def _usable(watcher: Watcher, events: list[Event], begin: int, end: int) -> Iterator[Event]:
    """Events inside the watch; those that can't be true become findings (rules 2, 10)."""
    installed, removed = watcher.history.installed, watcher.history.removed
    for event in events:
        if installed is not None and event.done < installed:
            watcher.find("before_installation", event.ref, "done before the valve was installed", "not used")
        elif removed is not None and event.done > removed:
            watcher.find("after_removal", event.ref, "done after the valve was removed", "not used")
        elif event.done < begin and event.action not in {Action.REBUILD, Action.EXCHANGE}:
            continue
        elif event.done < begin:
            treatment = "neither a failure nor a start; state it as last_renewed_on if it is sure"
            watcher.find("before_records", event.ref, "done before the records begin", treatment)
        elif event.done <= end:
            yield event


def _note_doubts(watcher: Watcher, event: Event) -> None:
    """Note what an event leaves unsaid (rule 10)."""
    if event.action not in {Action.REBUILD, Action.EXCHANGE}:
        return
    items = watcher.history.items
    if event.action is Action.REBUILD and not event.renewed and not event.kits_renew and len(items) > 1:
        watcher.find("scope_assumed", event.ref, "neither items nor kits are stated", "every item taken as renewed")
    if event.reason is Reason.UNSTATED:
        watcher.find("reason_assumed", event.ref, "no reason is stated", "taken as a failure")
    stopped = frozenset(item for item, clock in watcher.clocks.items() if not clock.running)
    how = endings(event, scope(event, items), already_failed=stopped)
    if event.reason in {Reason.FAILURE, Reason.UNSTATED} and set(how.values()) == {Ending.CENSORED} and not stopped:
        watcher.find("cause_not_said", event.ref, "a failure with every renewed item found ok", "counted on no item")
    masked = [item for item, ending in how.items() if ending in MASKED]
    if masked:
        detail = f"failed or worn: {' or '.join(masked)}, not said which"
        watcher.find("cause_masked", event.ref, detail, "shared among them by the fit")


def _note_repeats(watcher: Watcher, events: list[Event]) -> None:
    """Note renewals of the same items within days of each other (rule 10)."""
    items = watcher.history.items
    renewals = [event for event in events if event.action in {Action.REBUILD, Action.EXCHANGE}]
    for first, second in zip(renewals, renewals[1:], strict=False):
        days = second.done - first.done
        if days <= LIKELY_DUPLICATE_DAYS and scope(first, items) == scope(second, items):
            detail = f"renews what {first.ref or 'another event'} renewed {days} days before"
            watcher.find("likely_duplicate", second.ref, detail, "both counted; merge them if they are one")


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
    in_service = (removed is None or removed > as_of) and (installed is None or installed <= as_of)
    end = as_of if removed is None else min(removed, as_of)
    begin = min(history.records_begin if installed is None else max(history.records_begin, installed), end)
    if installed is not None and installed > as_of:
        return WatchedValve(lives=(), ages=(), watches=(), findings=())
    events = sorted(
        (*history.events, *_stated_renewals(history, begin)),
        key=lambda e: (e.done, e.found_day, e.action, e.ref),
    )
    changes = [event for event in events if event.action is Action.RECLASSIFY]
    classes = [event.class_from or history.service_class for event in changes] + [history.service_class]
    passed = sum(event.done < begin for event in changes)
    watcher = Watcher(history=history, begin=begin, service_class=classes[passed], clocks=_clocks(history, begin))
    for event, old, new in zip(changes, classes, classes[1:], strict=False):
        if old == new:
            watcher.find("class_chain", event.ref, f"service changed from {old} to {new}", "no change of class")
    unknown = [clock.item for clock in watcher.clocks.values() if clock.start is None]
    if unknown:
        treatment = "left out of the fit up to the first renewal; a distribution of ages in the forecast"
        watcher.find("unknown_start", "", f"start unknown: {', '.join(unknown)}", treatment, len(unknown))
    usable = list(_usable(watcher, events, begin, end))
    _note_repeats(watcher, usable)
    for event in usable:
        _note_doubts(watcher, event)
        if event.action is Action.RECLASSIFY:
            watcher.reclassify(event)
            passed += 1
            watcher.service_class = classes[passed]
        else:
            watcher.apply(event)
    return watcher.finish(end, in_service=in_service)
