"""What gets written of what happened: the plant's event file is the truth with parts left out."""

from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from itertools import groupby
from random import Random

from seed_demo.events import Event
from seed_demo.kits import FITS, KIT
from seed_demo.notes import FAILURE_MODES, INSPECT_NOTES, NOTES, PLANNED_NOTES
from seed_demo.plant import SEED
from seed_demo.register import Valve

HOURS = {"packing": 5.0, "trim": 18.0, "actuator": 9.0}
HOURLY_RATE = Decimal("64.50")


def write_down(valve: Valve, events: Iterable[Event]) -> list[Event]:
    """Return the events as the technicians recorded them, without work order numbers."""
    rng = Random(f"{SEED}/record/{valve.tag}")
    return [_written(event, rng, described=valve.design in FITS) for event in events]


def number_orders(events: Iterable[Event]) -> list[Event]:
    """Sort by day and give each event the number of its work order, counted anew each year."""
    ordered = sorted(events, key=lambda event: (event.done_on, event.tag.upper(), event.action))
    numbered: list[Event] = []
    for year, of_year in groupby(ordered, key=lambda event: event.done_on.year):
        numbered += [replace(event, ref=f"WO-{year}-{number:04d}") for number, event in enumerate(of_year, start=1)]
    return numbered


def _written(event: Event, rng: Random, *, described: bool) -> Event:
    if event.action == "reclassify":
        return replace(event, note="service changed, see the change note")
    if event.action == "inspect":
        note = rng.choice(INSPECT_NOTES) if rng.random() < 0.5 else ""
        return replace(event, as_found=event.as_found if described else (), note=note)
    return _with_gaps(_with_work(event, rng), rng, described=described)


def _with_work(event: Event, rng: Random) -> Event:
    hours = sum(HOURS[item] for item in event.renewed) * rng.uniform(0.7, 1.5)
    hours *= 1.3 if event.reason == "failure" else 1.0
    parts = sum((Decimal(KIT[kit].unit_cost) * qty for kit, qty in event.kits_used), Decimal(0))
    cost = HOURLY_RATE * Decimal(f"{hours:.1f}") + parts * Decimal(f"{rng.uniform(0.85, 1.05):.3f}")
    return replace(
        event,
        labour_hours=f"{hours:.1f}" if rng.random() < 0.75 else "",
        cost=f"{cost:.2f}" if rng.random() < 0.65 else "",
        failure_mode=_failure_mode(event, rng),
        note=_note(event, rng),
    )


def _failure_mode(event: Event, rng: Random) -> str:
    if event.reason != "failure" or not event.causes or rng.random() < 0.4:
        return ""
    return rng.choice(FAILURE_MODES[event.causes[-1]])


def _note(event: Event, rng: Random) -> str:
    if rng.random() < 0.4:
        return ""
    if event.causes and event.reason in {"failure", "condition"}:
        return rng.choice(NOTES[event.causes[-1], event.reason])
    return rng.choice(PLANNED_NOTES)


def _with_gaps(event: Event, rng: Random, *, described: bool) -> Event:
    """Leave out what technicians leave out; the scope stands in one column, in both, or in neither."""
    scope = rng.choices(("renewed", "kits", "renewed, kits", "nowhere"), (26, 56, 14, 4))[0]
    looked = 0.9 if event.causes and event.reason == "planned" else 0.6
    dated = event.reason == "condition" or (event.reason == "failure" and rng.random() < 0.7)
    return replace(
        event,
        as_found=event.as_found if described and rng.random() < looked else (),
        renewed=event.renewed if described and "renewed" in scope else (),
        kits_used=event.kits_used if "kits" in scope else (),
        found_on=event.found_on if dated else None,
        last_ok_on=event.last_ok_on if rng.random() < 0.15 else None,
    )
