"""Why a number is what it is: the valves a demand is made of, and what made it another than the last run's."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor, log10

import numpy as np

from forecasting.consumption import TakeUp, Window
from forecasting.histories import Action, History

__all__ = ["Change", "ValveNeed", "histories_until", "needs_of_valves", "split_change"]

DIGITS = 6


@dataclass(frozen=True, kw_only=True)
class ValveNeed:
    """What one valve adds to the demand for a kit in a window.

    Parameters
    ----------
    tag : str [tag]
        The valve.
    items : tuple of str [codes]
        The items whose renewal takes the kit.
    chance : float [1]
        Of needing the kit at least once.
    expected : float [kits]
        Of all kinds.
    unplanned, planned, turnaround : float [kits]
        By failure, as planned, and as planned on the first day of a turnaround.
    """

    tag: str
    items: tuple[str, ...]
    chance: float
    expected: float
    unplanned: float
    planned: float
    turnaround: float


@dataclass(frozen=True, kw_only=True)
class Change:
    """How an expected number of kits became another, step by step; the four parts sum to after - before.

    Parameters
    ----------
    before, after : float [kits]
        Of the last run and of this one.
    record_corrections, time_passing, new_events, new_model : float [kits]
        What each step added, in this order.
    """

    before: float
    record_corrections: float
    time_passing: float
    new_events: float
    new_model: float
    after: float


def _needs(one: TakeUp, window: Window, valves: frozenset[str]) -> list[ValveNeed]:
    """Take the need of each valve of a group out of its counts."""
    counts = one.probabilities[window]
    expected = one.qty * (counts @ np.arange(counts.shape[1]))
    kinds = np.stack([kind[window] for kind in (one.unplanned, one.planned, one.turnaround)])
    total = kinds.sum(axis=0)
    # the kinds share what is counted: `kit_demand` scales them alike
    kinds = kinds * np.divide(expected, total, out=np.zeros_like(total), where=total > 0.0)
    return [
        ValveNeed(
            tag=tag,
            items=one.items,
            chance=float(np.clip(1.0 - counts[row, 0], 0.0, 1.0)),
            expected=float(expected[row]),
            unplanned=float(kinds[0, row]),
            planned=float(kinds[1, row]),
            turnaround=float(kinds[2, row]),
        )
        for row, tag in enumerate(one.valves)
        if tag in valves
    ]


def needs_of_valves(taken: Sequence[TakeUp], window: Window, *, valves: frozenset[str]) -> tuple[ValveNeed, ...]:
    """Take the demand for one kit in a window apart into what each valve adds to it.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        All of one kit.
    window : (start, end] [days from now]
        One of the windows they were counted in.
    valves : frozenset of str [tags]
        The valves served.

    Returns
    -------
    tuple of ValveNeed [kits]
        One per valve and set of items, those expected to take most first; what they expect sums to the demand's mean.

    References
    ----------
    Expectations add; our own layout.

    Examples
    --------
    >>> week, none = (0.0, 7.0), np.zeros(2)
    >>> taken = TakeUp(
    ...     kit="K", qty=2, items=("seat",), valves=("V1", "V2"),
    ...     probabilities={week: np.array([[0.5, 0.5], [0.25, 0.75]])}, running={},
    ...     unplanned={week: np.array([1.0, 1.5])}, planned={week: none}, turnaround={week: none}, note="",
    ... )
    >>> [(need.tag, need.chance, need.expected) for need in needs_of_valves([taken], week, valves={"V1", "V2"})]
    [('V2', 0.75, 1.5), ('V1', 0.5, 1.0)]
    """
    every = [need for one in taken for need in _needs(one, window, valves)]
    return tuple(sorted(every, key=lambda need: (-need.expected, need.tag, need.items)))


def split_change(before: float, *, corrected: float, later: float, with_events: float, after: float) -> Change:
    """Split the difference of two runs' numbers into its reasons.

    All numbers are rounded to the same decimal, the sixth digit of the largest, so that the parts sum to the difference
    in every digit that is published.

    Parameters
    ----------
    before : float [kits]
        As the last run had it.
    corrected : float [kits]
        Of the record as it is known now, read up to the last run's day, with the last run's models.
    later : float [kits]
        The same on this run's day, had nothing been done since.
    with_events : float [kits]
        With what was done since, too.
    after : float [kits]
        As this run has it: with this run's models.

    Returns
    -------
    Change [kits]
        In the order of the arguments.

    References
    ----------
    DEVELOPERS.md, "What changed".

    Examples
    --------
    >>> change = split_change(2.0, corrected=1.5, later=1.75, with_events=1.75, after=2.25)
    >>> change.record_corrections, change.time_passing, change.new_events, change.new_model
    (-0.5, 0.25, 0.0, 0.5)
    """
    steps = (before, corrected, later, with_events, after)
    largest = max(abs(step) for step in steps)
    decimals = DIGITS - 1 - floor(log10(largest)) if largest > 0.0 else DIGITS
    rounded = [round(step, decimals) for step in steps]
    parts = [round(new - old, decimals) for old, new in zip(rounded, rounded[1:], strict=False)]
    return Change(
        before=rounded[0],
        record_corrections=parts[0],
        time_passing=parts[1],
        new_events=parts[2],
        new_model=parts[3],
        after=rounded[4],
    )


def _until(history: History, day: int) -> History:
    """Leave out what was done to one valve since a day."""
    later = sorted((event for event in history.events if event.done > day), key=lambda event: event.done)
    changes = [event.class_from for event in later if event.action is Action.RECLASSIFY and event.class_from]
    return replace(
        history,
        service_class=changes[0] if changes else history.service_class,
        last_renewed={item: renewed for item, renewed in history.last_renewed.items() if renewed <= day},
        events=tuple(event for event in history.events if event.done <= day),
    )


def histories_until(histories: Sequence[History], day: int) -> tuple[History, ...]:
    """Tell histories as if nothing had been done since a day; valves come and go as they did.

    Parameters
    ----------
    histories : sequence of History [day numbers]
        As they are known now.
    day : int [day number]
        The last day on which something was done.

    Returns
    -------
    tuple of History [day numbers]
        In the same order; a valve put into another service since is in the one before.

    References
    ----------
    DEVELOPERS.md, "What changed".

    Examples
    --------
    >>> from forecasting.histories import Event
    >>> events = tuple(Event(ref="", action=Action.REBUILD, done=day) for day in (10, 20))
    >>> valve = History(valve="V", service_class="air", items=("seat",), records_begin=0, installed=0, events=events)
    >>> [event.done for event in histories_until([valve], 15)[0].events]
    [10]
    """
    return tuple(_until(history, day) for history in histories)
