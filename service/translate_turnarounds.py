"""Turnarounds and opportunistic policies of the record as the numerics see them."""

from collections import defaultdict
from datetime import date, timedelta

from service.translate import Records, Register

NO_TURNAROUND = "no turnaround to come is in the record of {areas}: what its policy leaves to turnarounds is left out"


def turnaround_days(records: Records, *, as_of: date) -> dict[str, tuple[int, ...]]:
    """Day of each turnaround to come, by area: its first, or the day after as_of if it has begun and not ended.

    Parameters
    ----------
    records : Records
        As imported.
    as_of : date
        Data cut-off.

    Returns
    -------
    dict of str to tuple of int [day numbers]
        In order; a turnaround without a first day is left out.
    """
    days: dict[str, set[int]] = defaultdict(set)
    for turnaround in records.turnarounds:
        starts_on = turnaround.starts_on
        if starts_on is None or max(starts_on, turnaround.ends_on or starts_on) <= as_of:
            continue
        for area in turnaround.areas:
            days[area].add(max(starts_on, as_of + timedelta(days=1)).toordinal())
    return {area: tuple(sorted(stops)) for area, stops in sorted(days.items())}


def opportunities(records: Records) -> dict[tuple[str, str], float]:
    """Age in days from which a turnaround renews an item, by service class and item."""
    return {
        (policy.service_class, policy.maintainable_item): float(policy.interval_days)
        for policy in records.policies
        if policy.policy == "opportunistic" and policy.interval_days
    }


def without_turnaround(records: Records, register: Register, *, as_of: date) -> dict[str, list[str]]:
    """Say by kit where a policy waits for turnarounds that nobody has dated."""
    stops, waiting = turnaround_days(records, as_of=as_of), opportunities(records)
    area_of = {tag: area for area, tags in register.areas.items() for tag in tags}
    areas: dict[str, set[str]] = defaultdict(set)
    for history in register.histories:
        area = area_of[history.valve]
        gone = history.removed is not None and history.removed <= as_of.toordinal()
        for need in register.design_items[register.designs[history.valve]]:
            if (history.service_class, need.item) in waiting and area not in stops and not gone:
                areas[need.kit].add(area)
    return {kit: [NO_TURNAROUND.format(areas=", ".join(sorted(named)))] for kit, named in areas.items()}
