"""Damages the invented records the way real ones are damaged, so that every finding has something to find.

Put in here:

- a work order entered twice: same tag and scope, another number, a few days later
- a rebuild dated before the valve was installed
- an event after the valve was removed
- a kit that does not fit the valve's design
- two renewals of one valve on one day
- events dated long before the records began
- a tag written in lower case
- a repeat within 90 days of the rebuild before it (rework)
- work order numbers missing
- one reclassification (only one) out of the very class the valve is still in

Put in by `record`, which leaves things out:

- a failure whose item isn't said: several items renewed, nothing as found
- scope not said at all: neither items renewed nor kits

Born with the plant: designs and service classes that valves name and nobody described.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from seed_demo.events import Event
from seed_demo.kits import FITS, KITS, SUPERSEDED, kits_taken
from seed_demo.register import Valve


@dataclass(frozen=True, kw_only=True)
class Records:
    """The events as written, those too old to have been written, and the valves by tag."""

    written: tuple[Event, ...]
    older: tuple[Event, ...]
    valves: dict[str, Valve]
    as_of: date


def damage(records: Records, rng: Random) -> list[Event]:
    """Return the written events with the mess put in, in no particular order."""
    events = list(records.written)
    targets = _spoilable(records)
    rng.shuffle(targets)
    for count, spoil in _SPOILED:
        for index in _take(targets, count):
            events[index] = spoil(events[index], records, rng)
    for count, add in _FOLLOWED:
        events += [add(events[index], records, rng) for index in _take(targets, count)]
    for invent in (_before_installation, _after_removal, _long_before, _broken_chain):
        events += invent(records, rng)
    return events


def lose_numbers(events: Iterable[Event], rng: Random) -> list[Event]:
    """Return the events with about three work order numbers in a hundred left empty."""
    return [replace(event, ref="") if rng.random() < 0.03 else event for event in events]


def _spoilable(records: Records) -> list[int]:
    """Return the indices of rebuilds with kits booked, early enough that something can follow."""
    latest = records.as_of - timedelta(120)
    return [
        index
        for index, event in enumerate(records.written)
        if event.action == "rebuild"
        and event.kits_used
        and event.done_on < latest
        and records.valves[event.tag].removed_on is None
        and records.valves[event.tag].design in FITS
    ]


def _take(targets: list[int], count: int) -> list[int]:
    taken = targets[:count]
    del targets[:count]
    return taken


def _misfit(event: Event, records: Records, rng: Random) -> Event:
    fitting = {FITS[records.valves[event.tag].design].packing, SUPERSEDED}
    strange = [kit.code for kit in KITS["packing"] if kit.code not in fitting]
    return replace(event, kits_used=((rng.choice(strange), 1),))


def _lower_case(event: Event, records: Records, rng: Random) -> Event:
    return replace(event, tag=event.tag.lower())


def _entered_twice(event: Event, records: Records, rng: Random) -> Event:
    again = event.done_on + timedelta(rng.randint(1, 6))
    return replace(event, done_on=again, found_on=None, last_ok_on=None, note="")


def _second_job_that_day(event: Event, records: Records, rng: Random) -> Event:
    actuator_done = any(kit.startswith("Q-ACT") for kit, _ in event.kits_used)
    renewed = ("packing",) if actuator_done else ("actuator",)
    design = records.valves[event.tag].design
    return Event(
        tag=event.tag,
        done_on=event.done_on,
        action="rebuild",
        reason="planned",
        renewed=renewed,
        kits_used=kits_taken(design, renewed, on=event.done_on),
        note="second job on the same permit",
    )


def _rework(event: Event, records: Records, rng: Random) -> Event:
    again = event.done_on + timedelta(rng.randint(8, 85))
    return Event(
        tag=event.tag,
        found_on=again,
        done_on=again,
        action="rebuild",
        reason="failure",
        renewed=event.renewed,
        kits_used=event.kits_used,
        note="same again, was not seated right",
    )


def _before_installation(records: Records, rng: Random) -> list[Event]:
    dated = [
        valve
        for valve in records.valves.values()
        if valve.installed_on > valve.area.written_since + timedelta(420)
        and valve.removed_on is None
        and valve.area.records_begin_on
    ]
    return [
        Event(
            tag=valve.tag,
            done_on=valve.installed_on - timedelta(rng.randint(40, 300)),
            action="rebuild",
            reason="failure",
            renewed=("packing",),
            note="old valve of the same tag?",
        )
        for valve in rng.sample(dated, min(3, len(dated)))
    ]


def _after_removal(records: Records, rng: Random) -> list[Event]:
    removed = [
        (valve, valve.removed_on)
        for valve in records.valves.values()
        if valve.removed_on and valve.removed_on < records.as_of - timedelta(200)
    ]
    return [
        Event(
            tag=valve.tag,
            done_on=removed_on + timedelta(rng.randint(20, 180)),
            action="rebuild",
            reason="planned",
            renewed=("packing",),
            kits_used=kits_taken(valve.design, ("packing",), on=removed_on),
        )
        for valve, removed_on in removed[:3]
    ]


def _long_before(records: Records, rng: Random) -> list[Event]:
    old = [
        event
        for event in records.older
        if records.valves[event.tag].area.records_begin_on
        and event.done_on < records.valves[event.tag].watched_from - timedelta(730)
    ]
    return rng.sample(old, min(9, len(old)))


def _broken_chain(records: Records, rng: Random) -> list[Event]:
    day = records.as_of - timedelta(rng.randint(900, 1500))
    unmoved = [
        valve
        for valve in records.valves.values()
        if valve.first_class == "SOLVENT" and not valve.moves and valve.removed_on is None and valve.installed_on < day
    ]
    valve = rng.choice(unmoved)
    return [Event(tag=valve.tag, done_on=day, action="reclassify", service_class_from=valve.first_class)]


_Change = Callable[[Event, Records, Random], Event]
_SPOILED: tuple[tuple[int, _Change], ...] = ((5, _misfit), (9, _lower_case))
_FOLLOWED: tuple[tuple[int, _Change], ...] = ((7, _entered_twice), (4, _second_job_that_day), (9, _rework))
