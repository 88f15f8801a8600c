"""Valves of a group that stand alike, once: what is counted for one of them holds for all."""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.consumption import Group, TakeUp, Window
from forecasting.starting_ages import stand_of

__all__ = ["Alike", "alike_valves"]


@dataclass(frozen=True, kw_only=True)
class Alike:
    """One valve of each kind, and which kind every valve is of.

    Parameters
    ----------
    group : Group [days]
        The first valve of each kind.
    valves : tuple of str [tags]
        All valves.
    kind : int array, shape (valves,) [number]
        Of each valve, its place in the group.
    """

    group: Group
    valves: tuple[str, ...]
    kind: IntArray

    def of_all(self, one: TakeUp, *, points: int) -> TakeUp:
        """Give every valve what its kind takes; rows are all valves at the first point, then at the second."""
        if len(self.group.valves) == len(self.valves):
            return one
        rows = (np.arange(points)[:, None] * len(self.group.valves) + self.kind).ravel()

        def every(by_window: dict[Window, FloatArray]) -> dict[Window, FloatArray]:
            return {window: values[rows] for window, values in by_window.items()}

        return replace(
            one,
            valves=self.valves * points,
            probabilities=every(one.probabilities),
            running=every(one.running),
            unplanned=every(one.unplanned),
            planned=every(one.planned),
            turnaround=every(one.turnaround),
        )


def alike_valves(group: Group, *, apart: Collection[str]) -> Alike:
    """Find the valves of a group that stand alike.

    Parameters
    ----------
    group : Group [days]
        Like valves and where their items stand.
    apart : collection of str [tags]
        Valves of which something else is known; each is of its own kind.

    Returns
    -------
    Alike [days]
        Kinds in the order of their first valve.

    References
    ----------
    Our own.

    Examples
    --------
    >>> alike_valves(Group(plans=(), valves=("V1", "V2", "V3"), ages=({}, {}, {})), apart={"V2"}).kind
    array([0, 1, 0])
    """
    number: dict[object, int] = {}
    first: list[int] = []
    kind = np.zeros(len(group.valves), dtype=np.int64)
    for place, (valve, ages) in enumerate(zip(group.valves, group.ages, strict=True)):
        stands = (stand_of(ages), valve if valve in apart else None)
        if stands not in number:
            number[stands] = len(first)
            first.append(place)
        kind[place] = number[stands]
    valves, ages_of = tuple(group.valves[place] for place in first), tuple(group.ages[place] for place in first)
    return Alike(group=replace(group, valves=valves, ages=ages_of), valves=group.valves, kind=kind)
