"""Which kits the renewals of a group of like valves take, valve by valve and window by window."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.clocks import ItemAge
from forecasting.kit_links import ItemPlan, Link, kit_links
from forecasting.lifetimes import Lifetime
from forecasting.openings import OWN_FAILURES, renewals_on_opening
from forecasting.renewals import MOST
from forecasting.valve_renewals import Ahead, Renewals, Window, renewals

__all__ = [
    "Expectations",
    "Group",
    "ItemPlan",
    "TakeUp",
    "Told",
    "Window",
    "kits_expected",
    "kits_taken",
    "renewed_together",
]

COARSE = 7.0
"""Longest cell in days where only expectations are wanted, at lifetimes beside the centre."""


@dataclass(frozen=True, kw_only=True)
class Group:
    """Valves of one design in one service class.

    Parameters
    ----------
    plans : tuple of ItemPlan [plans]
        Their items.
    valves : tuple of str [tags]
        The valves.
    ages : tuple of mappings from item to ItemAge, one per valve [days]
        Where each item stands, on the day they begin if that is to come.
    turnarounds : tuple of float [days from now]
        First days of those of their area that are to come.
    begins, ends : float [days from now]
        They are in service after the one and up to the other.
    service_class, design : str [codes]
        What they have in common.
    """

    plans: tuple[ItemPlan, ...]
    valves: tuple[str, ...]
    ages: tuple[dict[str, ItemAge], ...]
    turnarounds: tuple[float, ...] = ()
    begins: float = 0.0
    ends: float = np.inf
    service_class: str = ""
    design: str = ""

    @property
    def stops(self) -> tuple[float, ...]:
        """Turnarounds while they are in service, in days from when they begin."""
        return tuple(day - self.begins for day in self.turnarounds if self.begins < day <= self.ends)

    def part(self, window: Window) -> Window | None:
        """Part of a window in which they are in service, in days from when they begin; None: no part of it."""
        start, end = max(window[0], self.begins), min(window[1], self.ends)
        return (start - self.begins, end - self.begins) if start < end else None


@dataclass(frozen=True, kw_only=True)
class TakeUp:
    """How many of one kit the valves of a group take.

    Parameters
    ----------
    kit : str [code]
        The kit.
    qty : int [kits]
        Taken at each renewal.
    items : tuple of str [codes]
        The items whose renewal takes it.
    valves : tuple of str [tags]
        The rows below.
    probabilities : dict from window to float array, shape (valves, n) [1]
        P(0), P(1), ... renewals in the window.
    running : dict from window to float array, shape (valves, n) [1]
        The same without what is planned for the first day of a turnaround, in the windows in which that was asked for.
    unplanned, planned, turnaround : dict from window to float array, shape (valves,) [kits]
        Expected kits: by failure, as planned, and as planned on the first day of a turnaround.
    note : str [text]
        What is left out of account; empty: nothing.
    """

    kit: str
    qty: int
    items: tuple[str, ...]
    valves: tuple[str, ...]
    probabilities: dict[Window, FloatArray]
    running: dict[Window, FloatArray]
    unplanned: dict[Window, FloatArray]
    planned: dict[Window, FloatArray]
    turnaround: dict[Window, FloatArray]
    note: str


@dataclass(frozen=True, kw_only=True)
class Expectations:
    """Kits that the valves of a group are expected to take, at several lifetimes.

    Parameters
    ----------
    unplanned, planned, turnaround : dict from window to float array, shape (lifetimes * valves,) [kits]
        By failure, as planned, and as planned on the first day of a turnaround; lifetimes slowest.
    """

    unplanned: dict[Window, FloatArray]
    planned: dict[Window, FloatArray]
    turnaround: dict[Window, FloatArray]


@dataclass(frozen=True, kw_only=True)
class Told:
    """Windows in which P(0), P(1), ... of one kit are wanted.

    Parameters
    ----------
    every, running : frozenset of (start, end] [days from now]
        In which everything counts, and in which turnarounds count for nothing.
    """

    every: frozenset[Window] = frozenset()
    running: frozenset[Window] = frozenset()


@dataclass(frozen=True, kw_only=True)
class _Looks:
    """Windows as asked for, and the parts of them to be counted; None: not in service in any of it."""

    every: dict[Window, Window | None]
    running: dict[Window, Window | None]
    ahead: Ahead

    def place(self, part: Window, *, running: bool) -> int:
        """Where a part is among the counts."""
        ahead = self.ahead
        return len(ahead.windows) + ahead.running.index(part) if running else ahead.windows.index(part)


def _looks(group: Group, windows: Sequence[Window], running: Sequence[Window]) -> _Looks:
    """Cut windows to the time in service; only those with a turnaround in them need counting without it."""
    stops = group.stops
    every = {window: group.part(window) for window in sorted({*windows, *running})}
    parts = {part for window in running if (part := every[window]) is not None}
    stopped = {part for part in parts if any(part[0] < stop <= part[1] for stop in stops)}
    return _Looks(
        every=every,
        running={window: every[window] for window in running},
        ahead=Ahead(
            windows=tuple(sorted({part for part in every.values() if part is not None})),
            running=tuple(sorted(stopped)),
            turnarounds=stops,
        ),
    )


def _taken(
    group: Group,
    plans: Sequence[ItemPlan],
    looks: _Looks,
    made: Renewals | None,
    note: str,
    told_apart: Mapping[str, Told] | None,
) -> TakeUp:
    """Lay out the kits of one set of items; None: not in service in any window, and told apart in all."""
    told = Told(every=frozenset(looks.every), running=frozenset(looks.running))
    told = told if told_apart is None else told_apart.get(plans[0].kit, Told())
    qty, none, nothing = max(plan.qty for plan in plans), np.ones((len(group.valves), 1)), np.zeros(len(group.valves))
    ahead = looks.ahead

    def counts(part: Window | None, *, running: bool) -> FloatArray:
        if part is None or made is None:
            return none
        return made.count(looks.place(part, running=running and part in ahead.running))

    def kits(kind: str) -> dict[Window, FloatArray]:
        return {
            window: nothing if part is None else qty * getattr(made, kind)[:, looks.place(part, running=False)]
            for window, part in looks.every.items()
        }

    probabilities = {
        window: counts(part, running=False) for window, part in looks.every.items() if window in told.every
    }
    many = max((count.shape[1] for count in probabilities.values()), default=0) >= MOST
    return TakeUp(
        kit=plans[0].kit,
        qty=qty,
        items=tuple(plan.item for plan in plans),
        valves=group.valves,
        probabilities=probabilities,
        running={window: counts(looks.every[window], running=True) for window in sorted(told.running)},
        unplanned=kits("unplanned"),
        planned=kits("planned"),
        turnaround=kits("turnaround"),
        note="; ".join(filter(None, [note, f"more than {MOST - 1} renewals in a window count as so many" * many])),
    )


def _of_link(group: Group, link: Link, links: Sequence[Link], ahead: Ahead) -> Renewals:
    """Count the renewals of one link."""
    top = link.outer or link
    below = [one for one in links if one.outer is not None and one.outer.plans == top.plans]
    return renewals(link, below, group.ages, ahead)


def _opened(group: Group, plan: ItemPlan, links: Sequence[Link], looks: _Looks) -> tuple[Renewals | None, str]:
    """Count renewals of an item renewed at every opening, and say what is left out of account."""
    made = renewals_on_opening(plan, links, group.ages, looks.ahead) if looks.ahead.windows else None
    others = len(links) > 1
    items = min(links, key=lambda link: min(one.lifetime.quantile(0.5) for one in link.plans)).plans
    note = OWN_FAILURES.format(items=" and ".join(one.item for one in items)) if others else ""
    return made, note


def _openers(group: Group) -> tuple[ItemPlan, ...]:
    """Items that open the valve."""
    return tuple(plan for plan in group.plans if not plan.on_opening) or group.plans


def renewed_together(group: Group) -> list[tuple[ItemPlan, ...]]:
    """Find the sets of items that are always renewed together.

    Parameters
    ----------
    group : Group [plans]
        Like valves.

    Returns
    -------
    list of tuple of ItemPlan [plans]
        In the order of `kits_taken`.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> renewed_together(Group(plans=(), valves=(), ages=()))
    []
    """
    openers = _openers(group)
    alone = [(plan,) for plan in group.plans if plan not in openers]
    return [*(link.plans for link in kit_links(openers)), *alone]


def kits_taken(
    group: Group,
    windows: Sequence[Window],
    *,
    running: Sequence[Window] = (),
    told_apart: Mapping[str, Told] | None = None,
) -> tuple[TakeUp, ...]:
    """Distribution of the kits each valve of a group takes in each window.

    Items linked by kits are renewed jointly: the trim's kit renews the packing too, and takes no packing kit.

    Parameters
    ----------
    group : Group [days]
        Like valves and where their items stand.
    windows : sequence of (start, end] [days from now]
        Any windows, overlapping or not.
    running : sequence of (start, end] [days from now]
        Windows in which kits are wanted without those of turnarounds, too; not read if `told_apart` is given.
    told_apart : mapping from kit to Told, or None [days from now]
        In which P(0), P(1), ... are wanted, in others only expectations; None: in all.

    Returns
    -------
    tuple of TakeUp [kits]
        One per kit and set of items renewed together. A third level of linked items is left out of account, and said.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=2, renews=frozenset({"seat"}))
    >>> age = ItemAge(
    ...     valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ... )
    >>> taken = kits_taken(Group(plans=(plan,), valves=("V",), ages=({"seat": age},)), [(0.0, 50.0)])[0]
    >>> round(float(taken.unplanned[0.0, 50.0][0]), 4)
    0.1
    """
    told = () if told_apart is None else told_apart.values()
    looks = _looks(group, windows, sorted({*running, *(window for one in told for window in one.running)}))
    openers = _openers(group)
    links = kit_links(openers)
    taken = []
    for link in links:
        made = _of_link(group, link, links, looks.ahead) if looks.ahead.windows else None
        taken.append(_taken(group, link.plans, looks, made, link.note, told_apart))
    for plan in (one for one in group.plans if one not in openers):
        made, note = _opened(group, plan, links, looks)
        taken.append(_taken(group, [plan], looks, made, note, told_apart))
    return tuple(taken)


def _plans_at(plans: Sequence[ItemPlan], lifetimes: Mapping[str, Lifetime]) -> tuple[ItemPlan, ...]:
    """Give items these lifetimes."""
    return tuple(replace(plan, lifetime=lifetimes[plan.item]) for plan in plans)


def _link_at(link: Link, lifetimes: Mapping[str, Lifetime]) -> Link:
    """Give the items of a link, and of what it is under, these lifetimes."""
    outer = None if link.outer is None else _link_at(link.outer, lifetimes)
    return replace(link, plans=_plans_at(link.plans, lifetimes), outer=outer)


def _renewals_at(
    group: Group, links: Sequence[Link], lifetimes: Mapping[str, Lifetime], ahead: Ahead
) -> list[Renewals]:
    """Count renewals of every link and opening, in the order of `kits_taken`, at these lifetimes."""
    moved = [_link_at(link, lifetimes) for link in links]
    opening = [plan for plan in group.plans if plan.on_opening and any(not one.on_opening for one in group.plans)]
    return [
        *(_of_link(group, link, moved, ahead) for link in moved),
        *(renewals_on_opening(plan, moved, group.ages, ahead) for plan in _plans_at(opening, lifetimes)),
    ]


def kits_expected(
    group: Group, lifetimes: Sequence[Mapping[str, Lifetime]], windows: Sequence[Window]
) -> tuple[Expectations, ...]:
    """Expect the kits each valve of a group takes in each window, at several lifetimes, in coarse cells.

    Parameters
    ----------
    group : Group [days]
        Like valves and where their items stand; its own lifetimes say which items are linked.
    lifetimes : sequence of mappings from item to Lifetime [days]
        In whose stead these are taken.
    windows : sequence of (start, end] [days from now]
        Any windows.

    Returns
    -------
    tuple of Expectations [kits]
        In the order of `kits_taken`.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seats = [Weibull(scale=scale, shape=1.0) for scale in (1000.0, 500.0)]
    >>> plan = ItemPlan(item="seat", lifetime=seats[0], interval=np.inf, kit="K", qty=2, renews=frozenset({"seat"}))
    >>> age = ItemAge(
    ...     valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ... )
    >>> group = Group(plans=(plan,), valves=("V",), ages=({"seat": age},))
    >>> kits_expected(group, [{"seat": seat} for seat in seats], [(0.0, 50.0)])[0].unplanned[0.0, 50.0].round(3)
    array([0.1, 0.2])
    """
    looks = _looks(group, windows, ())
    ahead = replace(looks.ahead, longest_cell=COARSE)
    links, sets = kit_links(_openers(group)), renewed_together(group)
    made = [_renewals_at(group, links, one, ahead) for one in lifetimes] if ahead.windows else []
    nothing = np.zeros(len(lifetimes) * len(group.valves))

    def kits(number: int, kind: str) -> dict[Window, FloatArray]:
        qty = max(plan.qty for plan in sets[number])
        if not made:
            return dict.fromkeys(looks.every, nothing)
        whole = qty * np.concatenate([getattr(at[number], kind) for at in made])
        return {
            window: nothing if part is None else whole[:, looks.place(part, running=False)]
            for window, part in looks.every.items()
        }

    return tuple(
        Expectations(
            unplanned=kits(number, "unplanned"),
            planned=kits(number, "planned"),
            turnaround=kits(number, "turnaround"),
        )
        for number in range(len(sets))
    )
