"""One valve's record in as few words as a rule needs, and what comes out of it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import TypedDict, Unpack

from forecasting.histories import Action, AsFound, Event, History, Reason
from forecasting.lives import Lives, WatchedFleet, lives_from_histories

PACKING, TRIM = frozenset({"packing"}), frozenset({"trim"})
NEW = History(valve="V1", service_class="wet", items=("packing", "trim"), records_begin=0, installed=0)
OLD = replace(NEW, installed=None, records_begin=100)


class Said(TypedDict, total=False):
    """What else may be written down about a rebuild."""

    action: Action
    found: int
    done_spread: int
    found_spread: int
    renewed: frozenset[str]
    kits_renew: frozenset[str]
    as_found: Mapping[str, AsFound]
    last_ok: int


def rebuild(done: int, reason: Reason, **said: Unpack[Said]) -> Event:
    """Rebuild, named by its day."""
    return replace(Event(ref=f"E{done}", action=Action.REBUILD, done=done, reason=reason), **said)


def inspect(done: int, **as_found: AsFound) -> Event:
    """Inspection, named by its day."""
    return Event(ref=f"I{done}", action=Action.INSPECT, done=done, as_found=as_found)


def reclassify(done: int, class_from: str | None) -> Event:
    """Change of service, named by its day."""
    return Event(ref=f"R{done}", action=Action.RECLASSIFY, done=done, class_from=class_from)


def seen(history: History, *events: Event, as_of: int = 400) -> WatchedFleet:
    """Read the record of one valve."""
    return lives_from_histories([replace(history, events=events)], as_of=as_of)


def ages(lives: Lives, item: str, service_class: str = "wet") -> list[tuple[float, float, float]]:
    """Entry, lower and upper age of the lives of one item, in the order of their ends."""
    if (service_class, item) not in lives.samples:
        return []
    own = lives.sample == lives.samples.index((service_class, item))
    return list(zip(*(column[own].tolist() for column in (lives.entry, lives.lower, lives.upper)), strict=True))


def trim(history: History, *events: Event, as_of: int = 400) -> list[tuple[float, float, float]]:
    """Lives of the trim of one valve."""
    return ages(seen(history, *events, as_of=as_of).lives, "trim")


def packing(history: History, *events: Event, as_of: int = 400) -> list[tuple[float, float, float]]:
    """Lives of the packing of one valve."""
    return ages(seen(history, *events, as_of=as_of).lives, "packing")


def kinds(fleet: WatchedFleet) -> list[tuple[str, str, int]]:
    """Kind, event and cost of each finding."""
    return [(finding.kind, finding.ref, finding.lives_lost) for finding in fleet.findings]
