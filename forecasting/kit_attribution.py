"""Which kits each renewal of the record took: events that name their kits in, renewals with their kits out."""

from collections import ChainMap, Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
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
    """Renewals of one item, all alike, whose kits the record names.

    Parameters
    ----------
    design, item : str [codes]
        What was renewed.
    service_class : str [code]
        In which the valves were.
    kind : Kind [word]
        What it counts as.
    found : AsFound or None [word]
        State of the item; None: not stated.
    kits : Bill [kits]
        What each took.
    times : int [renewals]
        How often.
    """

    design: str
    item: str
    service_class: str
    kind: Kind
    found: AsFound | None
    kits: Bill
    times: int = 1


def _moves(history: History) -> list[tuple[int, str]]:
    """Days of changes of service, and the classes until then, in their order."""
    return sorted((event.done, event.class_from) for event in history.events if event.class_from is not None)


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


ENDED = frozenset({AsFound.FAILED, AsFound.WORN})


def _ended(event: Event, renewed: frozenset[str]) -> frozenset[str]:
    """Renewed items whose end an event was done for, where it says so; of a planned one, all it renewed."""
    found = frozenset(item for item in renewed if event.as_found.get(item) in ENDED)
    return renewed if event.reason is Reason.PLANNED else found or renewed


@dataclass(frozen=True, kw_only=True)
class _Design:
    """What is known of the kits of one design; what events alike took is shared out once."""

    code: str
    needs: Sequence[Need]
    renews: Mapping[str, frozenset[str]]
    known: dict[tuple[frozenset[str], Bill], list[tuple[str, Bill]]] = field(default_factory=dict)

    def bills(self, event: Event, items: tuple[str, ...]) -> list[tuple[str, Bill]]:
        """Items that an event was done for, renewed by kits of their own, and what each took."""
        renewed, used = _ended(event, scope(event, items)), tuple(event.kits_used.items())
        if (renewed, used) not in self.known:
            takers = _takers(self.needs, renewed)
            shared = _shared_out(event.kits_used, takers, self.renews)
            self.known[renewed, used] = [(need.item, bill) for need, bill in zip(takers, shared, strict=True)]
        return self.known[renewed, used]

    def renewals(self, history: History, as_of: int) -> Iterator[tuple[str, str, Kind, AsFound | None, Bill]]:
        """Items renewed on one valve, in which class, as what and how found, and what each took."""
        moves = _moves(history)
        for event in history.events:
            if _tells(event, history, as_of):
                # told backwards from the present class
                service_class = next((until for day, until in moves if day >= event.done), history.service_class)
                for item, bill in self.bills(event, history.items):
                    yield item, service_class, _kind(event), event.as_found.get(item), bill

    def tally(self, histories: Sequence[History], as_of: int) -> Iterator[RenewalSeen]:
        """Renewals of its valves, alike ones once."""
        every = (one for history in histories for one in self.renewals(history, as_of))
        for (item, service_class, kind, found, bill), times in Counter(every).items():
            yield RenewalSeen(
                design=self.code,
                item=item,
                service_class=service_class,
                kind=kind,
                found=found,
                kits=bill,
                times=times,
            )


def _tells(event: Event, history: History, as_of: int) -> bool:
    """Whether an event can tell which kits a renewal takes; those of an exchange are taken later, and not by it."""
    installed = event.done if history.installed is None else history.installed
    last = as_of if history.removed is None else min(as_of, history.removed)
    return event.action is Action.REBUILD and bool(event.kits_used) and installed <= event.done <= last


def _likely(seen: Sequence[RenewalSeen], stated: frozenset[str]) -> list[RenewalSeen]:
    """Leave out renewals of a design that took a kit it hardly ever takes; `stated` are its own."""
    renewals: Counter[str] = Counter()
    taking: Counter[tuple[str, str]] = Counter()
    for one in seen:
        renewals[one.item] += one.times
        for kit, _ in one.kits:
            taking[one.item, kit] += one.times

    def usual(item: str, kit: str) -> bool:
        return kit in stated or taking[item, kit] >= max(LEAST_EVENTS, LEAST_SHARE * renewals[item])

    return [one for one in seen if all(usual(one.item, kit) for kit, _ in one.kits)]


def _by_cause(seen: Sequence[RenewalSeen], needs: Sequence[Need]) -> list[RenewalSeen]:
    """Where an item's failures are seen to take the kit of one it doesn't renew, keep those that say what was found.

    Others that took it stand with the other item, so that what an item's failures take would come out too small.
    """
    beyond = {need.item: {one.kit for one in needs if one.item not in need.renews} - {need.kit} for need in needs}
    wider = {one.item for one in seen if any(kit in beyond[one.item] for kit, _ in one.kits)}
    return [one for one in seen if one.item not in wider or one.kind is not Kind.UNPLANNED or one.found in ENDED]


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
    none. Where it says which items it found failed or worn, those took what it took: a failed packing may take the
    trim's kit, which renews both. A kit belongs to the item the design takes it for; what else was taken, to the item
    whose own kit covers it.

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
        Alike ones once; without those that took a kit the design hardly ever takes.

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
    of_design: dict[str, list[History]] = defaultdict(list)
    for history in sorted(histories, key=lambda one: one.valve):
        of_design[designs[history.valve]].append(history)
    seen: list[RenewalSeen] = []
    for code, members in sorted(of_design.items()):
        needs = design_items[code]
        design = _Design(code=code, needs=needs, renews=ChainMap(stated, _taken_for(needs)))
        likely = _likely([*design.tally(members, as_of)], frozenset(need.kit for need in needs))
        seen += _by_cause(likely, needs)
    return tuple(seen)
