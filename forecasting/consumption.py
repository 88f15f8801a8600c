"""Which kits the renewals of a group of like valves take, valve by valve and window by window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.clocks import ItemAge
from forecasting.kit_links import ItemPlan, Link, kit_links
from forecasting.openings import OWN_FAILURES, renewals_on_opening
from forecasting.renewals import MOST
from forecasting.valve_renewals import Ahead, Renewals, Window, renewals

__all__ = ["Group", "ItemPlan", "TakeUp", "Window", "kits_taken"]


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


def _taken(group: Group, plans: Sequence[ItemPlan], looks: _Looks, made: Renewals | None, note: str) -> TakeUp:
    """Lay out the kits of one set of items; None: not in service in any window."""
    qty, none, nothing = max(plan.qty for plan in plans), np.ones((len(group.valves), 1)), np.zeros(len(group.valves))
    ahead = looks.ahead

    def counts(part: Window | None, *, running: bool) -> FloatArray:
        if part is None or made is None:
            return none
        return made.counts[looks.place(part, running=running and part in ahead.running)]

    def kits(kind: str) -> dict[Window, FloatArray]:
        return {
            window: nothing if part is None else qty * getattr(made, kind)[:, looks.place(part, running=False)]
            for window, part in looks.every.items()
        }

    many = made is not None and max(count.shape[1] for count in made.counts) >= MOST
    return TakeUp(
        kit=plans[0].kit,
        qty=qty,
        items=tuple(plan.item for plan in plans),
        valves=group.valves,
        probabilities={window: counts(part, running=False) for window, part in looks.every.items()},
        running={window: counts(part, running=True) for window, part in looks.running.items()},
        unplanned=kits("unplanned"),
        planned=kits("planned"),
        turnaround=kits("turnaround"),
        note="; ".join(filter(None, [note, f"more than {MOST - 1} renewals in a window count as so many" * many])),
    )


def _link_taken(group: Group, link: Link, links: Sequence[Link], looks: _Looks) -> TakeUp:
    """Count the kits of one link."""
    top = link.outer or link
    below = [one for one in links if one.outer is not None and one.outer.plans == top.plans]
    made = renewals(link, below, group.ages, looks.ahead) if looks.ahead.windows else None
    return _taken(group, link.plans, looks, made, link.note)


def _opening_taken(group: Group, plan: ItemPlan, links: Sequence[Link], looks: _Looks) -> TakeUp:
    """Count the kits of an item renewed at every opening."""
    made = renewals_on_opening(plan, links, group.ages, looks.ahead) if looks.ahead.windows else None
    others = len(links) > 1
    items = min(links, key=lambda link: min(one.lifetime.quantile(0.5) for one in link.plans)).plans
    note = OWN_FAILURES.format(items=" and ".join(one.item for one in items)) if others else ""
    return _taken(group, [plan], looks, made, note)


def kits_taken(group: Group, windows: Sequence[Window], *, running: Sequence[Window] = ()) -> tuple[TakeUp, ...]:
    """Distribution of the kits each valve of a group takes in each window.

    Items linked by kits are renewed jointly: the trim's kit renews the packing too, and takes no packing kit.

    Parameters
    ----------
    group : Group [days]
        Like valves and where their items stand.
    windows : sequence of (start, end] [days from now]
        Any windows, overlapping or not.
    running : sequence of (start, end] [days from now]
        Windows in which kits are wanted without those of turnarounds, too.

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
    looks = _looks(group, windows, running)
    openers = tuple(plan for plan in group.plans if not plan.on_opening) or group.plans
    links = kit_links(openers)
    return (
        *(_link_taken(group, link, links, looks) for link in links),
        *(_opening_taken(group, plan, links, looks) for plan in group.plans if plan not in openers),
    )
