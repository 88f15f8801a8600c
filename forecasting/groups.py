"""Like valves: of one design and service class, with the same turnarounds ahead and the same days in service."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import astuple, dataclass

import numpy as np

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan
from forecasting.histories import History
from forecasting.lifetimes import Lifetime
from forecasting.plants import DesignItem, Plant
from forecasting.pooling import InUse

__all__ = ["ages_to_come", "groups_of"]


@dataclass(frozen=True, kw_only=True)
class _Alike:
    """What valves of one group have in common; days from as_of."""

    service_class: str
    design: str
    turnarounds: tuple[float, ...]
    begins: float
    ends: float


def _items_to_come(history: History, *, as_of: int) -> list[ItemAge]:
    """Where the items of a valve stand on the day it is installed, if that is to come."""
    if history.installed is None or history.installed <= as_of or history.removed is not None:
        return []
    return [
        ItemAge(
            valve=history.valve,
            item=item,
            service_class=history.service_class,
            age=0,
            survived=0,
            in_place=0,
            awaits_renewal=False,
        )
        for item in history.items
    ]


def _alike(plant: Plant, ages: Sequence[ItemAge]) -> dict[_Alike, dict[str, dict[str, ItemAge]]]:
    """Where the items of each valve stand, by group of like valves."""
    area_of = {tag: area for area, tags in plant.areas.items() for tag in tags}
    stops = {
        area: tuple(sorted(float(day - plant.as_of) for day in set(days) if day > plant.as_of))
        for area, days in plant.turnarounds.items()
    }
    histories = {history.valve: history for history in plant.histories}
    standing: dict[str, dict[str, ItemAge]] = defaultdict(dict)
    for age in ages:
        standing[age.valve][age.item] = age
    groups: dict[_Alike, dict[str, dict[str, ItemAge]]] = defaultdict(dict)
    for valve, items in standing.items():
        history = histories[valve]
        alike = _Alike(
            service_class=next(iter(items.values())).service_class,
            design=plant.designs[valve],
            turnarounds=stops.get(area_of.get(valve, ""), ()),
            begins=float(max((history.installed or 0) - plant.as_of, 0)),
            # on the day it is removed nothing of it is renewed any more
            ends=np.inf if history.removed is None else float(history.removed - plant.as_of - 1),
        )
        groups[alike][valve] = items
    return dict(sorted(groups.items(), key=lambda pair: astuple(pair[0])))


def _plan(plant: Plant, service_class: str, need: DesignItem, lifetime: Lifetime) -> ItemPlan:
    """How one item of a design is renewed in one service class."""
    return ItemPlan(
        item=need.item,
        lifetime=lifetime,
        interval=plant.intervals.get((service_class, need.item), np.inf),
        opportunity=plant.opportunities.get((service_class, need.item), np.inf),
        kit=need.kit,
        qty=need.qty,
        renews=need.renews,
        on_opening=need.on_opening,
    )


def ages_to_come(plant: Plant) -> list[ItemAge]:
    """Where the items of valves stand that are installed on known days to come.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.

    Returns
    -------
    list of ItemAge [days]
        New, on the day they are installed.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> valve = History(valve="V", service_class="air", items=("seat",), records_begin=0, installed=30)
    >>> plant = Plant(
    ...     as_of=9, histories=(valve,), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> [age.age for age in ages_to_come(plant)]
    [0]
    """
    return [age for history in plant.histories for age in _items_to_come(history, as_of=plant.as_of)]


def groups_of(
    plant: Plant, ages: Sequence[ItemAge], lifetimes: tuple[InUse, ...]
) -> tuple[list[Group], dict[str, set[str]]]:
    """Put like valves together, and name by kit the valves that can't be forecast.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.
    ages : sequence of ItemAge [days]
        Where items stand.
    lifetimes : tuple of InUse [days]
        One per service class and item.

    Returns
    -------
    list of Group, dict of str to set of str [valves]
        Groups with their plans; by kit the tags of valves without a lifetime.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> groups_of(
    ...     Plant(
    ...         as_of=9, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ...     ),
    ...     [],
    ...     (),
    ... )
    ([], {})
    """
    in_use = {(one.service_class, one.item): one.lifetime for one in lifetimes}
    groups: list[Group] = []
    missing: dict[str, set[str]] = defaultdict(set)
    for alike, valves in _alike(plant, ages).items():
        plans = []
        for need in plant.design_items[alike.design]:
            lifetime = in_use[alike.service_class, need.item]
            if lifetime is None:
                missing[need.kit].update(valves)
            else:
                plans.append(_plan(plant, alike.service_class, need, lifetime))
        if plans:
            groups.append(
                Group(
                    plans=tuple(plans),
                    valves=tuple(valves),
                    ages=tuple(valves.values()),
                    turnarounds=alike.turnarounds,
                    begins=alike.begins,
                    ends=alike.ends,
                    service_class=alike.service_class,
                    design=alike.design,
                )
            )
    return groups, dict(missing)
