"""Findings and the record: what a finding is about, told by its facts; what was decided, applied to what is read."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

import msgspec
from msgspec import structs

from forecasting.finding_effects import Effect
from forecasting.histories import Finding
from forecasting.pipeline import Forecast
from models.base import code_key
from models.partial_days import first_day, in_order
from models.queries.voids import Void
from service.schemas.records import EventRecord, ValveRecord
from service.translate import NO_AREA, event_name

FACTS = (
    *("ref", "tag", "found_on", "done_on", "action", "reason", "as_found", "last_ok_on", "renewed", "kits_used"),
    "service_class_from",
)
"""What a forecast reads of an event; a corrected note or cost makes no other finding of it."""
FILLED = ("found_on", "reason", "as_found", "last_ok_on", "renewed", "kits_used", "service_class_from")
"""What the event that stands for two takes from the other where it says nothing itself."""
VALVE_FACTS = (
    *("tag", "design", "service_class", "area", "installed_on", "records_begin_on", "last_renewed_on", "removed_on"),
)
DIGITS = 64
UNTAGGED, LOOKS_ALIKE, DUPLICATE = "event_without_tag", "tag_looks_like_another", "likely_duplicate"
DEAD_STOCK = "dead_stock"
"""Kinds of findings that can be merged: a row into a valve's events, a tag into another, an event into another."""
YEAR = (0.0, 365.0)
Row = dict[str, object]
NAMED: Row = {"treatment": "used as it is named", "effect": "assumptions take the place of what isn't said"}
NAMED_VALVE: Row = {
    "treatment": "a valve of no design, no service class and no area, installed on a day unknown",
    "effect": "its lives and its demand, in rebuilds, are of its own kind: they count in no described class and kit",
}


@dataclass(frozen=True, kw_only=True)
class KeyedEvent:
    """An event under the key the record knows it by."""

    key: str
    record: EventRecord
    digest: str
    """Of its facts as stored, whatever was decided since."""


def facts_digest(event: EventRecord) -> str:
    """Digest what a forecast reads of an event.

    Parameters
    ----------
    event : EventRecord
        As stored, before anything decided is applied.

    Returns
    -------
    str
        SHA-256 in hexadecimal digits.
    """
    return _digest([getattr(event, name) for name in FACTS])


def _digest(told: object) -> str:
    return sha256(msgspec.json.encode(told, order="deterministic")).hexdigest()[:DIGITS]


def events_in_use(events: Sequence[KeyedEvent], voids: Mapping[str, Void]) -> list[KeyedEvent]:
    """Leave out what was voided, and let the event that stands for two say what the other said.

    Parameters
    ----------
    events : sequence of KeyedEvent
        As stored.
    voids : mapping from key to Void
        A void holds for the facts it was made on: an event corrected since is read again.

    Returns
    -------
    list of KeyedEvent
        In the same order.
    """
    voided = [event for event in events if event.key in voids and voids[event.key].facts_digest == event.digest]
    merged: dict[str, list[EventRecord]] = defaultdict(list)
    for event in voided:
        into = voids[event.key].merged_into
        if into is not None:
            merged[into].append(event.record)
    gone = {event.key for event in voided}
    return [
        replace(event, record=_completed(event.record, merged.get(event.key, ())))
        for event in events
        if event.key not in gone
    ]


def _completed(kept: EventRecord, others: Iterable[EventRecord]) -> EventRecord:
    """Fill in what an event leaves unsaid."""
    for other in others:
        unsaid = {name: getattr(other, name) for name in FILLED if not getattr(kept, name) and getattr(other, name)}
        if not in_order(str(unsaid.get("found_on", kept.done_on)), kept.done_on):
            del unsaid["found_on"]
        found = str(unsaid.get("found_on") or kept.found_on or kept.done_on)
        if not in_order(str(unsaid.get("last_ok_on", found)), found):
            del unsaid["last_ok_on"]
        kept = structs.replace(kept, **unsaid)
    return kept


def with_tags_merged(
    valves: Sequence[ValveRecord], events: Sequence[KeyedEvent], into: Mapping[str, str]
) -> tuple[list[ValveRecord], list[KeyedEvent]]:
    """Read the events of a tag that is another valve's as that valve's.

    Parameters
    ----------
    valves : sequence of ValveRecord
        The register.
    events : sequence of KeyedEvent
        Of all of them.
    into : mapping from tag to tag
        As decided.

    Returns
    -------
    list of ValveRecord, list of KeyedEvent
        Without the merged tags; the events in the same order.
    """
    return [valve for valve in valves if valve.tag not in into], [
        event
        if event.record.tag not in into
        else replace(event, record=structs.replace(event.record, tag=into[event.record.tag]))
        for event in events
    ]


@dataclass(frozen=True, kw_only=True)
class Subjects:
    """What findings can be about: events by tag and name, valves by tag, the first event of each area."""

    events: Mapping[tuple[str, str], Sequence[KeyedEvent]]
    valves: Mapping[str, ValveRecord]
    begins: Mapping[str, str]

    def events_of(self, finding: Finding) -> list[KeyedEvent]:
        """Find the events a finding is about, the one it is told of last."""
        names = dict.fromkeys(name for name in (finding.other_ref, finding.ref) if name and finding.valve)
        found = [event for name in names for event in self.events.get((finding.valve, name), ())]
        return found if len(found) <= len([name for name in (finding.other_ref, finding.ref) if name]) else []

    def facts_of(self, finding: Finding) -> list[object]:
        """Tell what a finding is about in facts that stay the same as long as the record does."""
        events = [event.digest for event in self.events_of(finding)]
        valve = self.valves.get(finding.valve)
        told = [] if events or valve is None else [getattr(valve, name) for name in VALVE_FACTS]
        begin = None if finding.valve else self.begins.get(finding.ref)
        return [finding.kind, finding.valve, finding.ref, finding.detail, events, told, begin]


def subjects_of(valves: Iterable[ValveRecord], events: Iterable[KeyedEvent]) -> Subjects:
    """Arrange the record by what findings name.

    Parameters
    ----------
    valves : iterable of ValveRecord
        As the run reads them.
    events : iterable of KeyedEvent
        As the run reads them.

    Returns
    -------
    Subjects
        For the rows of findings.
    """
    by_tag = {valve.tag: valve for valve in valves}
    by_name: dict[tuple[str, str], list[KeyedEvent]] = defaultdict(list)
    begins: dict[str, str] = {}
    for event in events:
        by_name[event.record.tag, event_name(event.record)].append(event)
        area = by_tag[event.record.tag].area or NO_AREA
        begins[area] = min(begins.get(area, "9999"), str(first_day(event.record.done_on)))
    return Subjects(events=by_name, valves=by_tag, begins=begins)


def finding_rows(
    findings: Sequence[Finding],
    undescribed: Sequence[tuple[str, str]],
    subjects: Subjects,
    effects: Mapping[int, Effect],
) -> Iterator[Row]:
    """One row per finding, those of the whole record first.

    Parameters
    ----------
    findings : sequence of Finding
        Of the run.
    undescribed : sequence of (file, code)
        Named but not described.
    subjects : Subjects
        What the findings are about.
    effects : mapping from place in `findings` to Effect
        What they do to the forecast, where that could be computed.

    Yields
    ------
    dict
        Columns of run_findings.
    """
    for file, code in undescribed:
        yield {
            "kind": "named_not_described",
            "file": file,
            "record_key": code,
            "detail": f"{code} is named but not described in {file}.csv",
            **(NAMED_VALVE if file == "valves" else NAMED),
            "identity": _digest(["named_not_described", file, code_key(code)]),
            "effect_reason": "what a description would say isn't known",
            "details": {},
        }
    for place, finding in enumerate(findings):
        events = subjects.events_of(finding)
        yield {
            "kind": finding.kind,
            "file": _file(finding),
            "record_key": finding.ref or finding.valve,
            "detail": finding.detail,
            "treatment": finding.treatment,
            "identity": _digest(subjects.facts_of(finding)),
            "tag": finding.valve or None,
            **_effect(finding, effects.get(place)),
            "details": {
                **({"tag": finding.valve} if finding.valve else {}),
                **({"candidates": [list(one) for one in finding.candidates]} if finding.candidates else {}),
                **({"events": [[event.key, event.digest] for event in events]} if events else {}),
            },
        }


def _file(finding: Finding) -> str:
    if finding.kind == DEAD_STOCK:
        return "stock"
    if finding.kind == UNTAGGED or (finding.ref and finding.valve):
        return "events"
    return "valves" if finding.valve else "areas"


def kits_per_year(made: Forecast) -> dict[tuple[str, str], float]:
    """Add up by class and item what failures are expected to take in a year.

    Parameters
    ----------
    made : Forecast
        Of the run.

    Returns
    -------
    dict from (service class, item) to kits [kits a year]
        A kit taken for several items counts for the first of them; planned renewals don't depend on the scale. Valves
        to come don't count: no finding is about them.
    """
    class_of = {(age.valve, age.item): age.service_class for age in made.fleet.ages}
    total: dict[tuple[str, str], float] = defaultdict(float)
    for one in made.taken:
        item = one.items[0]
        for tag, kits in zip(one.valves, one.unplanned[YEAR], strict=True):
            if (tag, item) in class_of:
                total[class_of[tag, item], item] += float(kits)
    return total


def _effect(finding: Finding, effect: Effect | None) -> Row:
    lost = finding.lives_lost
    said = f"{lost} {'life' if lost == 1 else 'lives'} left out of the fit" if lost else None
    if effect is None:
        reason = "what would take its place isn't known" if finding.ref else "it is about no single event"
        return {"effect": said, "lives_lost": lost, "effect_reason": reason}
    return {
        "effect": "; ".join(filter(None, (said, effect.words))),
        "lives_lost": lost,
        "scale_change": effect.scale_change,
        "kits_per_year_change": effect.kits_per_year_change,
        "effect_reason": effect.reason or None,
    }
