"""A record as it would be under other policies, with other valves, with turnarounds on other days."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from msgspec import structs

from forecasting.histories import WHOLE_VALVE
from models.base import code_key
from models.partial_days import first_day
from service.run_inputs import Asked, Inputs
from service.schemas.records import PolicyRecord, TurnaroundRecord, ValveRecord
from service.schemas.what_if import Misfit, WhatIfRequest, WhatIfTurnaround, WhatIfValves
from service.translate_demand import valves_by_class

ADDED = "added:{group}:{number}"
"""Tag of a valve that doesn't exist: no code of a record holds a colon."""


@dataclass(frozen=True, kw_only=True)
class Known:
    """What a change may name, as the record writes it, and the days it may fall on.

    Parameters
    ----------
    service_classes, items, designs, areas : dict from key to code
        Of the record.
    valves : dict from key to ValveRecord
        By tag.
    turnarounds : dict from key to TurnaroundRecord
        By code.
    as_of, last : date
        Data cut-off, and last day that is forecast.
    """

    service_classes: dict[str, str]
    items: dict[str, str]
    designs: dict[str, str]
    areas: dict[str, str]
    valves: dict[str, ValveRecord]
    turnarounds: dict[str, TurnaroundRecord]
    as_of: date
    last: date

    @property
    def tomorrow(self) -> date:
        """First day that is forecast."""
        return self.as_of + timedelta(days=1)

    def day(self, stated: date | None) -> date:
        """Day on which a valve comes or goes."""
        return stated or self.tomorrow

    def is_ahead(self, stated: date | None) -> bool:
        """Say whether a day is forecast."""
        return self.as_of < self.day(stated) <= self.last


def known_of(inputs: Inputs, *, as_of: date, last: date) -> Known:
    """Find out what a change may name.

    Parameters
    ----------
    inputs : Inputs
        As a run read it.
    as_of, last : date
        Its data cut-off, and the last day it forecasts.

    Returns
    -------
    Known
        As the record writes it.
    """
    valves = inputs.valves
    return Known(
        service_classes=_codes([one.code for one in inputs.service_classes], [one.service_class for one in valves]),
        items=_codes([one.maintainable_item for one in inputs.design_kits], [WHOLE_VALVE]),
        designs=_codes([one.design for one in inputs.design_kits], [one.design for one in valves]),
        areas=_codes([one.code for one in inputs.areas], [one.area for one in valves]),
        valves={code_key(one.tag): one for one in valves},
        turnarounds={code_key(one.code): one for one in inputs.turnarounds},
        as_of=as_of,
        last=last,
    )


def _codes(*lists: Sequence[str | None]) -> dict[str, str]:
    return {code_key(code): code for codes in lists for code in codes if code}


def misfits(wanted: WhatIfRequest, known: Known) -> list[Misfit]:
    """Say what of a question doesn't fit the record.

    Parameters
    ----------
    wanted : WhatIfRequest
        What would be otherwise.
    known : Known
        What it may name.

    Returns
    -------
    list of Misfit
        Each with its place, its value and what was expected.
    """
    return [
        Misfit(pointer=pointer, value=str(value), expected=expected)
        for pointer, value, expected in (
            *_misfits_of_policies(wanted, known),
            *_misfits_of_valves(wanted, known),
            *_misfits_of_turnarounds(wanted, known),
        )
    ]


def _named(known: dict[str, str], word: str, code: str, place: str) -> Iterator[tuple[str, object, str]]:
    if code_key(code) not in known:
        yield place, code, f"a {word} of the record that the run read"


def _once(keys: Sequence[object], list_name: str, field: str) -> Iterator[tuple[str, object, str]]:
    for number, key in enumerate(keys):
        if key in keys[:number]:
            yield f"/{list_name}/{number}/{field}", key[0] if isinstance(key, tuple) else key, "each named once"


def _misfits_of_policies(wanted: WhatIfRequest, known: Known) -> Iterator[tuple[str, object, str]]:
    for number, one in enumerate(wanted.policies):
        place = f"/policies/{number}"
        yield from _named(known.service_classes, "service class", one.service_class, f"{place}/service_class")
        yield from _named(known.items, "maintainable item", one.maintainable_item, f"{place}/maintainable_item")
    keys = [(code_key(one.service_class), code_key(one.maintainable_item)) for one in wanted.policies]
    yield from _once(keys, "policies", "service_class")


def _misfits_of_valves(wanted: WhatIfRequest, known: Known) -> Iterator[tuple[str, object, str]]:
    ahead = f"a day after {known.as_of}, up to {known.last}"
    for number, one in enumerate(wanted.valves_added):
        place = f"/valves_added/{number}"
        yield from _named(known.service_classes, "service class", one.service_class, f"{place}/service_class")
        yield from _named(known.designs, "design", one.design, f"{place}/design")
        yield from _named(known.areas, "area", one.area, f"{place}/area")
        if not known.is_ahead(one.installed_on):
            yield f"{place}/installed_on", one.installed_on, ahead
    for number, gone in enumerate(wanted.valves_retired):
        valve, day = known.valves.get(code_key(gone.tag)), known.day(gone.removed_on)
        if valve is None or (valve.removed_on is not None and valve.removed_on <= day):
            yield f"/valves_retired/{number}/tag", gone.tag, "a valve of the record that is in service until then"
        elif not known.is_ahead(gone.removed_on) or (valve.installed_on and first_day(valve.installed_on) > day):
            yield f"/valves_retired/{number}/removed_on", day, f"{ahead}, not before the valve is installed"
    yield from _once([code_key(one.tag) for one in wanted.valves_retired], "valves_retired", "tag")


def _misfits_of_turnarounds(wanted: WhatIfRequest, known: Known) -> Iterator[tuple[str, object, str]]:
    for number, one in enumerate(wanted.turnarounds):
        place, stated = f"/turnarounds/{number}", known.turnarounds.get(code_key(one.turnaround))
        ends_on = None if stated is None else stated.ends_on or stated.starts_on
        if stated is None or (ends_on is not None and ends_on <= known.as_of):
            yield f"{place}/turnaround", one.turnaround, "a turnaround of the record that isn't over"
        if one.starts_on <= known.as_of:
            yield f"{place}/starts_on", one.starts_on, f"a day after {known.as_of}"
        if one.ends_on is not None and one.ends_on < one.starts_on:
            yield f"{place}/ends_on", one.ends_on, "a day not before starts_on"
    yield from _once([code_key(one.turnaround) for one in wanted.turnarounds], "turnarounds", "turnaround")


def touched(wanted: WhatIfRequest, asked: Asked) -> frozenset[str]:
    """Find the valves that a question makes renew otherwise: those of a class, those that come or go, those of an area.

    Parameters
    ----------
    wanted : WhatIfRequest
        What would be otherwise.
    asked : Asked
        The record as it would be.

    Returns
    -------
    frozenset of str
        Tags; what the others need stays as it is.
    """
    classes = {code_key(one.service_class) for one in wanted.policies}
    retired = {code_key(one.tag) for one in wanted.valves_retired}
    moved = {code_key(one.turnaround) for one in wanted.turnarounds}
    areas = {code_key(area) for one in asked.inputs.turnarounds if code_key(one.code) in moved for area in one.areas}
    register = asked.register
    sets = [
        *(tags for code, tags in valves_by_class(register, as_of=asked.as_of).items() if code_key(code) in classes),
        *(tags for area, tags in register.areas.items() if code_key(area) in areas),
        {tag for tag in register.designs if code_key(tag) in retired or tag.startswith(ADDED.partition("{")[0])},
    ]
    return frozenset().union(*sets)


def otherwise(inputs: Inputs, wanted: WhatIfRequest, known: Known) -> Inputs:
    """Change a record as a question says.

    Parameters
    ----------
    inputs : Inputs
        As a run read it.
    wanted : WhatIfRequest
        What would be otherwise; without `misfits`.
    known : Known
        What it names.

    Returns
    -------
    Inputs
        A record of its own; the events are as they were.
    """
    policies = {(code_key(one.service_class), code_key(one.maintainable_item)): one for one in inputs.policies}
    for one in wanted.policies:
        sample = code_key(one.service_class), code_key(one.maintainable_item)
        policies[sample] = PolicyRecord(
            service_class=known.service_classes[sample[0]],
            maintainable_item=known.items[sample[1]],
            policy=one.policy,
            interval_days=one.interval_days,
        )
    gone = {code_key(one.tag): known.day(one.removed_on) for one in wanted.valves_retired}
    moved = {code_key(one.turnaround): one for one in wanted.turnarounds}
    kept = [
        structs.replace(valve, removed_on=gone[key]) if (key := code_key(valve.tag)) in gone else valve
        for valve in inputs.valves
    ]
    added = [valve for group, one in enumerate(wanted.valves_added) for valve in _added(one, group, known)]
    return replace(
        inputs,
        policies=list(policies.values()),
        valves=[*kept, *added],
        turnarounds=[
            _moved(one, moved[key]) if (key := code_key(one.code)) in moved else one for one in inputs.turnarounds
        ],
    )


def _added(one: WhatIfValves, group: int, known: Known) -> Iterator[ValveRecord]:
    for number in range(one.number):
        yield ValveRecord(
            tag=ADDED.format(group=group, number=number),
            design=known.designs[code_key(one.design)],
            service_class=known.service_classes[code_key(one.service_class)],
            area=known.areas[code_key(one.area)],
            installed_on=known.day(one.installed_on).isoformat(),
            consequence=one.consequence,
        )


def _moved(stated: TurnaroundRecord, to: WhatIfTurnaround) -> TurnaroundRecord:
    """Move a turnaround; where its end isn't said it lasts as long as before."""
    ends_on = to.ends_on
    if ends_on is None and stated.ends_on is not None and stated.starts_on is not None:
        ends_on = to.starts_on + (stated.ends_on - stated.starts_on)
    freeze = stated.scope_freeze_on
    if freeze is not None:
        # a record has no freeze after the first day
        freeze = min(freeze, to.starts_on)
    return structs.replace(stated, starts_on=to.starts_on, ends_on=ends_on, scope_freeze_on=freeze)
