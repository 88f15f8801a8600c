"""From records to the numerics' plant: every date becomes a day number, every gap in the record a stated assumption."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from forecasting.histories import WHOLE_VALVE, Action, AsFound, Event, Finding, History, Reason
from forecasting.kit_attribution import RenewalSeen, renewals_seen
from forecasting.pipeline import DesignItem
from models.partial_days import first_day
from service.schemas.records import (
    EVERY_ITEM,
    AreaRecord,
    ClosureRecord,
    ConsequenceTargetRecord,
    DesignKitRecord,
    EventRecord,
    IssueRecord,
    KitPartRecord,
    KitRecord,
    LotRecord,
    MaterialRecord,
    OrderRecord,
    PartRecord,
    PolicyRecord,
    RebuildCostRecord,
    ReservationRecord,
    ScopeLineRecord,
    StockRecord,
    StockSettingRecord,
    StoreroomRecord,
    TurnaroundRecord,
    ValveRecord,
)
from service.translate_accepted import Accepted
from service.translate_days import event_days, installation_day, renewal_day

NO_AREA = "no area"
NO_STOREROOM = "unassigned"
NO_DESIGN = "no design"
NO_CLASS = "no service class"


@dataclass(frozen=True, kw_only=True)
class Records:
    """The record a run reads, one list per file, and what was accepted of earlier runs."""

    areas: list[AreaRecord] = field(default_factory=list)
    policies: list[PolicyRecord] = field(default_factory=list)
    kits: list[KitRecord] = field(default_factory=list)
    design_kits: list[DesignKitRecord] = field(default_factory=list)
    valves: list[ValveRecord] = field(default_factory=list)
    events: list[EventRecord] = field(default_factory=list)
    storerooms: list[StoreroomRecord] = field(default_factory=list)
    stock_settings: list[StockSettingRecord] = field(default_factory=list)
    stock: list[StockRecord] = field(default_factory=list)
    orders: list[OrderRecord] = field(default_factory=list)
    issues: list[IssueRecord] = field(default_factory=list)
    turnarounds: list[TurnaroundRecord] = field(default_factory=list)
    materials: list[MaterialRecord] = field(default_factory=list)
    parts: list[PartRecord] = field(default_factory=list)
    kit_parts: list[KitPartRecord] = field(default_factory=list)
    lots: list[LotRecord] = field(default_factory=list)
    consequence_targets: list[ConsequenceTargetRecord] = field(default_factory=list)
    reservations: list[ReservationRecord] = field(default_factory=list)
    rebuild_costs: list[RebuildCostRecord] = field(default_factory=list)
    scope_lines: list[ScopeLineRecord] = field(default_factory=list)
    closures: list[ClosureRecord] = field(default_factory=list)
    accepted: list[Accepted] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Register:
    """The plant's valves as the numerics see them, and what had to be assumed.

    Parameters
    ----------
    histories : tuple of History [day numbers]
        One per valve.
    designs : dict from tag to design [codes]
        Of each valve.
    design_items : dict from design to tuple of DesignItem [items]
        What each design takes.
    areas, storerooms, coming : dict from code to tags [tags]
        The valves in each; the valves in service served by each storeroom; those to be installed.
    findings : tuple of Finding [findings]
        What the numerics don't see themselves.
    renewals : tuple of RenewalSeen [renewals]
        Those whose kits are known.
    """

    histories: tuple[History, ...]
    designs: dict[str, str]
    design_items: dict[str, tuple[DesignItem, ...]]
    areas: dict[str, frozenset[str]]
    storerooms: dict[str, frozenset[str]]
    findings: tuple[Finding, ...]
    renewals: tuple[RenewalSeen, ...] = ()
    coming: dict[str, frozenset[str]] = field(default_factory=dict)

    @property
    def kits(self) -> dict[str, frozenset[str]]:
        """Kits that valves of each design take: as stated, or as they were seen to."""
        seen: dict[str, set[str]] = defaultdict(set)
        for one in self.renewals:
            seen[one.design].update(kit for kit, _ in one.kits)
        return {
            design: frozenset(need.kit for need in needs) | seen[design] for design, needs in self.design_items.items()
        }


def rebuild_of(design: str) -> str:
    """Name the unit of demand of a design whose kits aren't described: one rebuild of it."""
    return f"rebuild {design}"


def successor_of(kits: Iterable[KitRecord], *, as_of: date) -> dict[str, str]:
    """Map each superseded kit to the end of its chain, once it is superseded.

    Parameters
    ----------
    kits : iterable of KitRecord
        Without a cycle: the import sees to that.
    as_of : date
        Supersessions after it aren't followed.

    Returns
    -------
    dict of str to str
        By kit code.
    """
    return _ends({
        kit.code: kit.superseded_by
        for kit in kits
        if kit.superseded_by is not None and (kit.superseded_on is None or kit.superseded_on <= as_of)
    })


def stock_counts_as(kits: Iterable[KitRecord], *, as_of: date) -> dict[str, str]:
    """Map each superseded kit to the kit its stock counts as: along its chain as long as the old one fits.

    Parameters
    ----------
    kits : iterable of KitRecord
        Without a cycle.
    as_of : date
        Supersessions after it aren't followed.

    Returns
    -------
    dict of str to str
        By kit code; a kit whose stock counts as itself is absent.
    """
    return successor_of((kit for kit in kits if kit.old_fits_new_need), as_of=as_of)


def _ends(following: Mapping[str, str]) -> dict[str, str]:
    """Map each code to the end of its chain."""
    ends = {}
    for code in following:
        end = code
        while end in following:
            end = following[end]
        ends[code] = end
    return ends


def _design_items(records: Records, *, as_of: date) -> dict[str, tuple[DesignItem, ...]]:
    """Items of each design, with the kit that renews them today."""
    followed = successor_of(records.kits, as_of=as_of)
    renews = {kit.code: frozenset(kit.renews) for kit in records.kits}
    items: dict[str, list[DesignItem]] = defaultdict(list)
    for need in records.design_kits:
        if need.kit is None:
            continue
        kit, item = followed.get(need.kit, need.kit), need.maintainable_item
        covered = renews.get(need.kit, frozenset()) | renews.get(kit, frozenset()) | {item}
        items[need.design].append(
            DesignItem(item=item, kit=kit, qty=need.qty or 1, renews=covered, on_opening=bool(need.on_opening))
        )
    for design in {valve.design or NO_DESIGN for valve in records.valves} - items.keys():
        whole = frozenset({WHOLE_VALVE})
        items[design].append(DesignItem(item=WHOLE_VALVE, kit=rebuild_of(design), qty=1, renews=whole))
    return {design: tuple(needs) for design, needs in sorted(items.items())}


def event_name(event: EventRecord) -> str:
    """Name an event, also where its record doesn't."""
    return event.ref or f"{event.tag} {event.done_on}"


def _kits_named(event: EventRecord, followed: Mapping[str, str]) -> dict[str, int]:
    """Kits an event names, superseded ones as the present one."""
    named: Counter[str] = Counter()
    for kit, qty in event.kits_used.items():
        named[followed.get(kit, kit)] += qty
    return dict(named)


def _event(
    event: EventRecord, renewed_by: Mapping[str, frozenset[str]], kits_used: dict[str, int], *, as_of: date
) -> Event:
    """One event in day numbers; `renewed_by` says what each kit renews on this valve."""
    days = event_days(event, as_of=as_of)
    by_kits = frozenset().union(*(renewed_by.get(kit, frozenset()) for kit in event.kits_used))
    return Event(
        ref=event_name(event),
        action=Action(event.action),
        done=days.done.middle,
        found=None if days.found is None else days.found.middle,
        done_spread=days.done.spread,
        found_spread=0 if days.found is None else days.found.spread,
        reason=Reason.UNSTATED if event.reason is None else Reason(event.reason),
        renewed=frozenset(event.renewed) or None,
        kits_renew=by_kits or None,
        as_found={item: AsFound(state) for item, state in event.as_found.items()},
        last_ok=None if event.last_ok_on is None else first_day(event.last_ok_on).toordinal(),
        class_from=event.service_class_from,
        kits_used=kits_used,
        turnaround=event.turnaround or "",
    )


def _renewed_by(
    needs: tuple[DesignItem, ...], renews: Mapping[str, frozenset[str]], followed: Mapping[str, str]
) -> dict[str, frozenset[str]]:
    """Say what each kit renews on a design: as the kit states, else the items the design takes it for."""
    taken_for: dict[str, set[str]] = defaultdict(set)
    for need in needs:
        taken_for[need.kit].add(need.item)
    kits = renews.keys() | taken_for.keys() | followed.keys()
    return {kit: renews.get(kit) or frozenset(taken_for.get(followed.get(kit, kit), ())) for kit in kits}


def _misfits(
    event: EventRecord, design: str, needs: tuple[DesignItem, ...], followed: Mapping[str, str]
) -> list[Finding]:
    """Kits used that don't fit the valve's design, where its kits are described."""
    fitting = {need.kit for need in needs}
    if fitting == {rebuild_of(design)}:
        return []
    return [
        Finding(
            kind="kit_does_not_fit",
            valve=event.tag,
            ref=event_name(event),
            detail=f"kit {kit} isn't one of its design's: {', '.join(sorted(fitting))}",
            treatment="what it renews is taken as renewed; demand follows the design's kit, unless renewals "
            "take this one often",
        )
        for kit in event.kits_used
        if followed.get(kit, kit) not in fitting
    ]


def _records_begin(records: Records, *, as_of: date) -> tuple[dict[str, date], list[Finding]]:
    """Day from which each area's events are complete: as stated, else its first event."""
    stated = {area.code: area.records_begin_on for area in records.areas}
    area_of = {valve.tag: valve.area or NO_AREA for valve in records.valves}
    first: dict[str, date] = {}
    for event in records.events:
        area = area_of[event.tag]
        first[area] = min(first.get(area, as_of), first_day(event.done_on))
    begin = {area: stated.get(area) or first.get(area) or as_of for area in {*area_of.values(), *stated}}
    unsaid = {valve.area or NO_AREA for valve in records.valves if valve.records_begin_on is None}
    return begin, [
        Finding(
            kind="records_begin_assumed",
            valve="",
            ref=area,
            detail=f"area {area} doesn't say from which day its events are complete",
            treatment=f"taken from its first event, {begin[area]}: the start of every item installed before is "
            "unknown, and its first life isn't used"
            if area in first
            else f"it has no events either: nothing is watched before {as_of}",
        )
        for area in sorted(unsaid)
        if stated.get(area) is None
    ]


def _history(valve: ValveRecord, events: list[Event], items: tuple[str, ...], begin: Mapping[str, date]) -> History:
    """One valve in day numbers."""
    stated = dict(valve.last_renewed_on)
    whole = stated.pop(EVERY_ITEM, None)
    last = (dict.fromkeys(items, whole) if whole else {}) | stated
    return History(
        valve=valve.tag,
        service_class=valve.service_class or NO_CLASS,
        items=items,
        records_begin=(valve.records_begin_on or begin[valve.area or NO_AREA]).toordinal(),
        installed=None
        if valve.installed_on is None
        else installation_day(valve.installed_on, removed_on=valve.removed_on, events=events),
        removed=None if valve.removed_on is None else valve.removed_on.toordinal(),
        last_renewed={item: renewal_day(day, item, items=items, events=events) for item, day in last.items()},
        events=tuple(events),
    )


def _served(records: Records, *, as_of: date, coming: bool) -> dict[str, frozenset[str]]:
    """Valves in service, or those to be installed, by the storeroom of their area."""
    storeroom_of = {area.code: area.storeroom for area in records.areas}
    served: dict[str, set[str]] = defaultdict(set)
    for valve in records.valves:
        gone = valve.removed_on is not None and valve.removed_on <= as_of
        if not gone and coming == (valve.installed_on is not None and first_day(valve.installed_on) > as_of):
            served[storeroom_of.get(valve.area or NO_AREA) or NO_STOREROOM].add(valve.tag)
    return {storeroom: frozenset(tags) for storeroom, tags in sorted(served.items())}


def register_from_records(records: Records, *, as_of: date) -> Register:
    """Turn the record into histories, designs, areas and storerooms.

    Parameters
    ----------
    records : Records
        As imported.
    as_of : date
        Data cut-off.

    Returns
    -------
    Register
        In day numbers (proleptic Gregorian ordinals).
    """
    design_items = _design_items(records, as_of=as_of)
    followed = successor_of(records.kits, as_of=as_of)
    renews = {kit.code: frozenset(kit.renews) for kit in records.kits}
    renewed_by = {design: _renewed_by(needs, renews, followed) for design, needs in design_items.items()}
    begin, findings = _records_begin(records, as_of=as_of)
    designs = {valve.tag: valve.design or NO_DESIGN for valve in records.valves}
    items = {design: tuple(need.item for need in needs) for design, needs in design_items.items()}
    events: dict[str, list[Event]] = defaultdict(list)
    for event in records.events:
        design = designs[event.tag]
        # a design whose kits aren't described is forecast in rebuilds, whatever its events name
        named = _kits_named(event, followed) if rebuild_of(design) not in renewed_by[design] else {}
        events[event.tag].append(_event(event, renewed_by[design], named, as_of=as_of))
        if first_day(event.done_on) <= as_of:
            findings += _misfits(event, design, design_items[design], followed)
    areas: dict[str, set[str]] = defaultdict(set)
    for valve in records.valves:
        areas[valve.area or NO_AREA].add(valve.tag)
    histories = tuple(_history(valve, events[valve.tag], items[designs[valve.tag]], begin) for valve in records.valves)
    return Register(
        histories=histories,
        designs=designs,
        design_items=design_items,
        areas={area: frozenset(tags) for area, tags in sorted(areas.items())},
        storerooms=_served(records, as_of=as_of, coming=False),
        coming=_served(records, as_of=as_of, coming=True),
        findings=tuple(findings),
        renewals=renewals_seen(
            histories, designs=designs, design_items=design_items, kit_renews=renews, as_of=as_of.toordinal()
        ),
    )
