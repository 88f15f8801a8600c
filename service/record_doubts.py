"""Doubts about the record that no single valve shows: tags that look alike, rows without a tag, records too young."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date

from forecasting.histories import Finding
from models.findings import UnplacedEvent
from models.partial_days import first_day
from service.schemas.records import AreaRecord, ValveRecord
from service.tag_candidates import by_numbers, candidates_for, candidates_in
from service.translate import NO_AREA
from service.translate_findings import LOOKS_ALIKE, UNTAGGED, KeyedEvent

LOOK_DAYS = 730
"""How long the beginning of an area's records is that is looked at."""
LEAST_EXPECTED = 5.0
TOO_FEW = 0.25
"""Fewer than this share of what the years after them make likely isn't believed (our convention)."""


def is_named_only(valve: ValveRecord) -> bool:
    """Say whether the register knows nothing of a valve but its tag.

    Parameters
    ----------
    valve : ValveRecord
        The valve.

    Returns
    -------
    bool
        True where every column but the tag is empty.
    """
    return valve == ValveRecord(tag=valve.tag)


def tag_findings(valves: Sequence[ValveRecord], events: Iterable[KeyedEvent]) -> list[Finding]:
    """Point out tags that only events name and that look like a described valve's.

    Parameters
    ----------
    valves : sequence of ValveRecord
        The register.
    events : iterable of KeyedEvent
        The record.

    Returns
    -------
    list of Finding
        With candidates.
    """
    used = {event.record.tag for event in events}
    described = by_numbers(valve.tag for valve in valves if not is_named_only(valve))
    found = []
    for valve in valves:
        candidates = candidates_for(valve.tag, described) if valve.tag in used and is_named_only(valve) else ()
        if candidates:
            likest = ", ".join(f"{tag} ({score:g})" for tag, score in candidates)
            found.append(
                Finding(
                    kind=LOOKS_ALIKE,
                    valve=valve.tag,
                    ref="",
                    detail=f"nothing but events names it; it looks like {likest}",
                    treatment="a valve of its own, of no design and no service class",
                    candidates=candidates,
                )
            )
    return found


def untagged_findings(waiting: Sequence[UnplacedEvent], valves: Sequence[ValveRecord]) -> list[Finding]:
    """Point out rows of events without a tag.

    Parameters
    ----------
    waiting : sequence of UnplacedEvent
        Held aside.
    valves : sequence of ValveRecord
        The register.

    Returns
    -------
    list of Finding
        With the tags their notes may mean; `ref` is the identity of the row.
    """
    register = by_numbers(valve.tag for valve in valves if not is_named_only(valve))
    return [
        Finding(
            kind=UNTAGGED,
            valve="",
            ref=one.identity,
            detail=f"{one.row['action']} done on {one.row['done_on']}, no tag; its note: {one.row['note']}",
            treatment="held aside until somebody says which valve it was",
            candidates=candidates_in(str(one.row["note"]), register),
        )
        for one in waiting
    ]


def young_record_findings(
    areas: Sequence[AreaRecord], valves: Sequence[ValveRecord], events: Iterable[KeyedEvent], *, as_of: date
) -> list[Finding]:
    """Point out areas whose records begin before anybody kept them.

    The renewals of the first two years stated are compared with the rate of all the years after them. Where at least
    five would be likely and less than a quarter of them is there, the records aren't believed to begin that early.

    Parameters
    ----------
    areas : sequence of AreaRecord
        With the days from which their events are said to be complete.
    valves : sequence of ValveRecord
        The register.
    events : iterable of KeyedEvent
        The record.
    as_of : date
        Data cut-off.

    Returns
    -------
    list of Finding
        One per area; `ref` is its code.
    """
    area_of = {valve.tag: valve.area or NO_AREA for valve in valves}
    days: dict[str, list[int]] = defaultdict(list)
    for event in events:
        if event.record.action in {"rebuild", "exchange"}:
            days[area_of[event.record.tag]].append(first_day(event.record.done_on).toordinal())
    return [
        finding
        for area in areas
        if area.records_begin_on is not None
        for finding in _too_early(area.code, area.records_begin_on, days[area.code], as_of=as_of)
    ]


def _too_early(area: str, begins_on: date, days: Sequence[int], *, as_of: date) -> list[Finding]:
    turn = begins_on.toordinal() + LOOK_DAYS
    later = as_of.toordinal() - turn
    first = sum(begins_on.toordinal() <= day < turn for day in days)
    after = sum(turn <= day <= as_of.toordinal() for day in days)
    likely = after * LOOK_DAYS / later if later > 0 else 0.0
    if likely < LEAST_EXPECTED or first >= TOO_FEW * likely:
        return []
    detail = f"only {first} renewals in the first two years from {begins_on} on"
    treatment = f"believed, though the years after make {likely:.0f} likely: what they don't say counts as not done"
    return [Finding(kind="records_begin_too_early", valve="", ref=area, detail=detail, treatment=treatment)]
