"""Groups of one service class whose renewals run alike, whatever their kits are called and when they are removed."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.clocks import ItemAge
from forecasting.consumption import Expectations, Group, TakeUp, Window
from forecasting.kit_links import kit_links
from forecasting.starting_ages import stand_of

__all__ = ["Family", "OfDesign", "families"]

NONE_FOR_SURE, NO_KITS = np.ones(1), np.zeros(())
"""What is taken by a valve that isn't in service."""


@dataclass(frozen=True, kw_only=True)
class OfDesign:
    """The valves of a family that have one design: the first of each kind, and which kind every valve is of.

    Parameters
    ----------
    group : Group [days]
        One of its groups; its plans name the kits.
    valves : tuple of str [tags]
        All valves, group after group.
    kind : int array, shape (valves,) [number]
        Of each valve.
    first : tuple of str [tags]
        The first valve of each kind.
    rows : tuple of int arrays [number]
        For every removal date, of the kinds that are removed then, their stands in the family.
    ends : tuple of float [days from now]
        The removal dates; kinds come in their order.
    kits : mapping from kit to kit [codes]
        What the family calls each of its kits.
    """

    group: Group
    valves: tuple[str, ...]
    kind: IntArray
    first: tuple[str, ...]
    rows: tuple[IntArray, ...]
    ends: tuple[float, ...]
    kits: Mapping[str, str]

    def parts(self, windows: Iterable[Window]) -> set[Window]:
        """Parts of windows, in days from now, in which any of the valves is in service."""
        found = {self._part(window, end) for window in windows for end in self.ends}
        return {part for part in found if part is not None}

    def _part(self, window: Window, end: float) -> Window | None:
        """Part of a window before a removal."""
        start, last = max(window[0], self.group.begins), min(window[1], end)
        return (window[0], last) if start < last else None

    def _laid_out(
        self, found: Mapping[Window, FloatArray], windows: Iterable[Window], nothing: FloatArray
    ) -> dict[Window, FloatArray]:
        """Give each kind what its stand has in its part of each window, `nothing` where it isn't in service."""
        laid: dict[Window, FloatArray] = {}
        for window in windows:
            parts = [self._part(window, end) for end in self.ends]
            rows = zip(parts, self.rows, strict=True)
            laid[window] = _below([
                np.broadcast_to(nothing, (len(row), *nothing.shape)) if part is None else found[part][row]
                for part, row in rows
            ])
        return laid

    def kit_of(self, one: TakeUp) -> str:
        """Kit that this design takes for what the family takes."""
        return next(plan.kit for plan in self.group.plans if plan.item == one.items[0])

    def taken(
        self, one: TakeUp, windows: Sequence[Window], *, told_apart: Iterable[Window], running: Iterable[Window]
    ) -> TakeUp:
        """Lay out what stands of the family take as what kinds of valves do, in the windows asked for."""
        return replace(
            one,
            kit=self.kit_of(one),
            valves=self.first,
            probabilities=self._laid_out(one.probabilities, told_apart, NONE_FOR_SURE),
            running=self._laid_out(one.running, running, NONE_FOR_SURE),
            unplanned=self._laid_out(one.unplanned, windows, NO_KITS),
            planned=self._laid_out(one.planned, windows, NO_KITS),
            turnaround=self._laid_out(one.turnaround, windows, NO_KITS),
        )

    def expected(self, one: Expectations, windows: Sequence[Window], *, lifetimes: int) -> Expectations:
        """Do as `taken` with what is expected at several lifetimes, these slowest."""

        def of_kind(found: Mapping[Window, FloatArray]) -> dict[Window, FloatArray]:
            stands = {window: rows.reshape(lifetimes, -1).T for window, rows in found.items()}
            laid = self._laid_out(stands, windows, np.zeros(lifetimes))
            return {window: rows.T.ravel() for window, rows in laid.items()}

        return Expectations(
            unplanned=of_kind(one.unplanned), planned=of_kind(one.planned), turnaround=of_kind(one.turnaround)
        )

    def of_all(self, one: TakeUp, *, points: int) -> TakeUp:
        """Give every valve what its kind takes; rows are all valves at the first point, then at the second."""
        alike = len(self.first) == len(self.valves)
        rows = (np.arange(points)[:, None] * len(self.first) + self.kind).ravel()

        def every(by_window: dict[Window, FloatArray]) -> dict[Window, FloatArray]:
            return by_window if alike else {window: values[rows] for window, values in by_window.items()}

        return replace(
            one,
            valves=self.valves * points,
            probabilities=every(one.probabilities),
            running=every(one.running),
            unplanned=every(one.unplanned),
            planned=every(one.planned),
            turnaround=every(one.turnaround),
        )


@dataclass(frozen=True, kw_only=True)
class Family:
    """Groups whose renewals run alike.

    Parameters
    ----------
    group : Group [days]
        One valve of each stand, in service for ever; kits as its first design calls them.
    designs : tuple of OfDesign [days]
        Its valves, by design.
    """

    group: Group
    designs: tuple[OfDesign, ...]


def _below(parts: Sequence[FloatArray]) -> FloatArray:
    """Put rows below each other; counts of which fewer are told apart are filled up."""
    if len(parts) == 1:
        return parts[0]
    if parts[0].ndim == 1:
        return np.concatenate(parts)
    width = max(part.shape[1] for part in parts)
    return np.concatenate([np.pad(part, ((0, 0), (0, width - part.shape[1]))) for part in parts])


def _stops(group: Group) -> tuple[float, ...]:
    """Turnarounds as far as they bear on renewals: where nothing is planned they don't."""
    planned = any(np.isfinite(min(plan.interval, plan.opportunity)) for plan in group.plans)
    return tuple(day for day in group.turnarounds if day > group.begins) if planned else ()


def _alike(group: Group) -> tuple[object, ...]:
    """Tell what groups whose renewals run alike agree in: all but the names of kits and the day of removal."""
    names = list(dict.fromkeys(plan.kit for plan in group.plans))
    plans = tuple(replace(plan, kit=str(names.index(plan.kit))) for plan in group.plans)
    # a note may name kits
    notes = tuple(link.note for link in kit_links(group.plans))
    return group.begins, _stops(group), plans, notes


def _of_design(first: Group, members: Sequence[Group], stand: Mapping[object, int], apart: Collection[str]) -> OfDesign:
    """Tell the kinds of valves of one design apart; one of which something else is known is a kind of its own."""
    ends = sorted({member.ends for member in members})
    number: dict[tuple[float, int, str], int] = {}
    valves: list[str] = []
    kind: list[int] = []
    tags: list[str] = []
    rows: dict[float, list[int]] = {end: [] for end in ends}
    for member in sorted(members, key=lambda one: one.ends):
        for valve, ages in zip(member.valves, member.ages, strict=True):
            key = (member.ends, stand[stand_of(ages)], valve if valve in apart else "")
            if key not in number:
                number[key] = len(number)
                tags.append(valve)
                rows[member.ends].append(key[1])
            valves.append(valve)
            kind.append(number[key])
    return OfDesign(
        group=members[0],
        valves=tuple(valves),
        kind=np.array(kind, dtype=np.int64),
        first=tuple(tags),
        rows=tuple(np.array(rows[end], dtype=np.int64) for end in ends),
        ends=tuple(ends),
        kits={own.kit: plan.kit for own, plan in zip(members[0].plans, first.plans, strict=True)},
    )


def families(groups: Iterable[Group], *, apart: Collection[str]) -> list[Family]:
    """Put groups together whose renewals run alike, so that these are counted once.

    Designs that differ in the codes of their kits alone, removal dates, and turnarounds at which nothing is renewed
    make no difference to when items are renewed.

    Parameters
    ----------
    groups : iterable of Group [days]
        Of one service class.
    apart : collection of str [tags]
        Valves of which something else is known; each is of its own kind.

    Returns
    -------
    list of Family [days]
        In the order of their first groups.

    References
    ----------
    Our own.

    Examples
    --------
    >>> same = {"plans": (), "ages": ({},)}
    >>> two = [Group(valves=("V",), design="D", ends=9.0, **same), Group(valves=("W",), design="E", **same)]
    >>> [(one.group.valves, [design.valves for design in one.designs]) for one in families(two, apart=set())]
    [(('V',), [('V',), ('W',)])]
    """
    alike: dict[tuple[object, ...], list[Group]] = defaultdict(list)
    for group in groups:
        alike[_alike(group)].append(group)
    made = []
    for members in alike.values():
        number: dict[object, int] = {}
        firsts: list[tuple[str, dict[str, ItemAge]]] = []
        for member in members:
            for valve, ages in zip(member.valves, member.ages, strict=True):
                if (stands := stand_of(ages)) not in number:
                    number[stands] = len(firsts)
                    firsts.append((valve, ages))
        by_design: dict[str, list[Group]] = defaultdict(list)
        for member in members:
            by_design[member.design].append(member)
        whole = replace(
            members[0],
            valves=tuple(valve for valve, _ in firsts),
            ages=tuple(ages for _, ages in firsts),
            turnarounds=_stops(members[0]),
            ends=np.inf,
        )
        designs = tuple(_of_design(members[0], one, number, apart) for one in by_design.values())
        made.append(Family(group=whole, designs=designs))
    return made
