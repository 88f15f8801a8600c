"""Which kits each renewal of the record took: events that name their kits in, renewals with their kits out."""

from collections import ChainMap, Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from forecasting.endings import scope
from forecasting.histories import Action, AsFound, Event, History, Reason

__all__ = ["Bill", "Kind", "Need", "RenewalSeen", "renewals_seen"]

Bill = tuple[tuple[str, int], ...]
"""Kits and how many of each, in the order of their codes; empty: no kit."""

LEAST_EVENTS = 3
LEAST_SHARE = 0.05
"""A kit that isn't the design's counts as one its valves take from so many renewals, and so large a share of those
whose kits are known, on; what is rarer is taken for a slip of the pen. Our convention."""


class Kind(StrEnum):
    """What a renewal counts as in a forecast."""

    UNPLANNED = "unplanned"
    PLANNED = "planned"
    TURNAROUND = "turnaround"


class Need(Protocol):
    """What renewing one item of a design takes, as the design states it."""

    @property
    def item(self) -> str:
        """The item."""

    @property
    def kit(self) -> str:
        """Its kit."""

    @property
    def qty(self) -> int:
        """How many."""

    @property
    def renews(self) -> frozenset[str]:
        """Items the kit renews."""

    @property
    def on_opening(self) -> bool:
        """Whether it is renewed whenever another item is."""


@dataclass(frozen=True, kw_only=True)
class RenewalSeen:
    """A renewal of one item whose kits the record names.

    Parameters
    ----------
    valve, design, item : str [names]
        What was renewed.
    service_class : str [code]
        In which the valve was.
    kind : Kind [word]
        What it counts as.
    found : AsFound or None [word]
        State of the item; None: not stated.
    kits : Bill [kits]
        What it took.
    """

    valve: str
    design: str
    item: str
    service_class: str
    kind: Kind
    found: AsFound | None
    kits: Bill


def _class_on(history: History, day: int) -> str:
    """Service class on a day, told backwards from the present one."""
    moves = [event for event in history.events if event.class_from is not None and event.done >= day]
    first = min(moves, key=lambda event: event.done, default=None)
    return history.service_class if first is None or first.class_from is None else first.class_from


def _kind(event: Event) -> Kind:
    """Say what the renewals of an event count as."""
    if event.reason is not Reason.PLANNED:
        return Kind.UNPLANNED
    return Kind.TURNAROUND if event.turnaround else Kind.PLANNED


def _takers(needs: Sequence[Need], renewed: frozenset[str]) -> list[Need]:
    """Items renewed by kits of their own, the kit that renews most first: what it covers takes none."""
    takers: list[Need] = []
    covered: frozenset[str] = frozenset()
    for need in sorted(needs, key=lambda one: (-len(one.renews), one.item)):
        if need.item not in covered and (need.item in renewed or need.on_opening):
            takers.append(need)
            covered |= need.renews
    return takers


def _shared_out(used: Mapping[str, int], takers: Sequence[Need], renews: Mapping[str, frozenset[str]]) -> list[Bill]:
    """Give each kit to the item that it is for, else to the one that covers what it renews, else to the widest."""
    bills = [Counter[str]() for _ in takers]
    for kit, qty in used.items():
        own = [place for place, need in enumerate(takers) if need.kit == kit]
        over = [place for place, need in enumerate(takers) if need.renews & renews.get(kit, frozenset())]
        left = qty
        for place in own:
            bills[place][kit] = min(left, takers[place].qty)
            left -= bills[place][kit]
        bills[(own or over or [0])[0]][kit] += left
    return [tuple(sorted((kit, qty) for kit, qty in bill.items() if qty)) for bill in bills]


def _taken_for(needs: Sequence[Need]) -> dict[str, frozenset[str]]:
    """Items that each kit of a design is taken for."""
    return {need.kit: frozenset(one.item for one in needs if one.kit == need.kit) for need in needs}


def _of_event(
    event: Event, history: History, design: str, needs: Sequence[Need], renews: Mapping[str, frozenset[str]]
) -> list[RenewalSeen]:
    """Renewals of one event that names its kits."""
    takers = _takers(needs, scope(event, history.items))
    return [
        RenewalSeen(
            valve=history.valve,
            design=design,
            item=need.item,
            service_class=_class_on(history, event.done),
            kind=_kind(event),
            found=event.as_found.get(need.item),
            kits=bill,
        )
        for need, bill in zip(takers, _shared_out(event.kits_used, takers, renews), strict=True)
    ]


def _tells(event: Event, history: History, as_of: int) -> bool:
    """Whether an event can tell which kits a renewal takes; those of an exchange are taken later, and not by it."""
    installed = event.done if history.installed is None else history.installed
    last = as_of if history.removed is None else min(as_of, history.removed)
    return event.action is Action.REBUILD and bool(event.kits_used) and installed <= event.done <= last


def _likely(seen: Sequence[RenewalSeen], known: Mapping[str, frozenset[str]]) -> list[RenewalSeen]:
    """Leave out renewals that took a kit its design hardly ever takes; `known`: kits stated, by design."""
    renewals = Counter((one.design, one.item) for one in seen)
    taking = Counter((one.design, one.item, kit) for one in seen for kit, _ in one.kits)

    def usual(one: RenewalSeen, kit: str) -> bool:
        often = taking[one.design, one.item, kit]
        least = max(LEAST_EVENTS, LEAST_SHARE * renewals[one.design, one.item])
        return kit in known[one.design] or often >= least

    return [one for one in seen if all(usual(one, kit) for kit, _ in one.kits)]


def renewals_seen(
    histories: Sequence[History],
    *,
    designs: Mapping[str, str],
    design_items: Mapping[str, Sequence[Need]],
    kit_renews: Mapping[str, frozenset[str]],
    as_of: int,
) -> tuple[RenewalSeen, ...]:
    """List the renewals whose kits are known, and what each took.

    An event that names kits names all it took: an item it states as renewed, and whose kit isn't among them, took
    none. A kit belongs to the item the design takes it for; what else was taken, to the item whose own kit covers it.

    Parameters
    ----------
    histories : sequence of History [day numbers]
        What happened to each valve.
    designs : mapping from tag to design [codes]
        Of each valve.
    design_items : mapping from design to sequence of Need [items]
        What each design takes.
    kit_renews : mapping from kit to frozenset of str [codes]
        Items each kit renews, where that is stated.
    as_of : int [day number]
        Data cut-off.

    Returns
    -------
    tuple of RenewalSeen [renewals]
        Without those that took a kit the design hardly ever takes.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> from forecasting.kit_links import ItemPlan
    >>> from forecasting.lifetimes import Weibull
    >>> packing = ItemPlan(
    ...     item="packing", lifetime=Weibull(scale=900.0, shape=1.0), interval=9e9, kit="P", qty=1,
    ...     renews=frozenset({"packing"}),
    ... )
    >>> repack = Event(ref="", action=Action.REBUILD, done=5, kits_used={"P": 2})
    >>> valve = History(valve="V", service_class="air", items=("packing",), records_begin=0, events=(repack,))
    >>> seen = renewals_seen([valve], designs={"V": "D"}, design_items={"D": [packing]}, kit_renews={}, as_of=9)
    >>> [(one.item, one.kind.value, one.kits) for one in seen]
    [('packing', 'unplanned', (('P', 2),))]
    """
    stated = {kit: items for kit, items in kit_renews.items() if items}
    renews = {design: ChainMap(stated, _taken_for(needs)) for design, needs in design_items.items()}
    ordered = sorted(histories, key=lambda one: one.valve)
    seen = [
        one
        for history, design in ((one, designs[one.valve]) for one in ordered)
        for event in history.events
        if _tells(event, history, as_of)
        for one in _of_event(event, history, design, design_items[design], renews[design])
    ]
    known = {design: frozenset(need.kit for need in needs) for design, needs in design_items.items()}
    return tuple(_likely(seen, known))
