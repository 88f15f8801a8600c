"""Demand of a plant under uncertain lifetimes; the points of one class are in memory at a time."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from forecasting.consumption import Group, TakeUp, Window
from forecasting.demand import Demand, demand_of_classes, mixed_demand, mixed_running_demand
from forecasting.kit_dates import KitDates
from forecasting.kit_points import KitPoints, kits_at_points
from forecasting.lifetime_points import LifetimePoints

__all__ = ["Asking", "PlantDemand", "plant_demand"]


@dataclass(frozen=True, kw_only=True)
class Asking:
    """Valves whose demand for one kit is wanted on the run, without turnarounds.

    Parameters
    ----------
    storeroom, kit : str [codes]
        By which it is called.
    valves : frozenset of str [tags]
        The valves.
    windows : tuple of (start, end] [days from now]
        In which.
    """

    storeroom: str
    kit: str
    valves: frozenset[str]
    windows: tuple[Window, ...]


@dataclass(frozen=True, kw_only=True)
class PlantDemand:
    """Demand of a plant.

    Parameters
    ----------
    taken : tuple of TakeUp [kits]
        By group of valves and kit, each valve mixed over what is known of lifetimes.
    demand : mapping from (area, kit) to window to Demand [kits]
        Of the sets of valves that take it.
    running : mapping from (storeroom, kit) to window to Demand [kits]
        On the run, without turnarounds, of what was asked and is taken by a valve.
    """

    taken: tuple[TakeUp, ...]
    demand: Mapping[tuple[str, str], Mapping[Window, Demand]]
    running: Mapping[tuple[str, str], Mapping[Window, Demand]]


Found = dict[tuple[str, str], dict[Window, list[Demand]]]


def _found() -> Found:
    return defaultdict(lambda: defaultdict(list))


def _added(found: Found) -> dict[tuple[str, str], dict[Window, Demand]]:
    """Add the classes, in the order of windows."""
    return {
        key: {window: demand_of_classes(parts) for window, parts in sorted(by_window.items())}
        for key, by_window in found.items()
    }


def _takers(made: Sequence[KitPoints], valves: frozenset[str]) -> list[TakeUp]:
    """Find those that any of these valves is among."""
    return [one.at for one in made if not valves.isdisjoint(one.over.valves)]


def _running(group: Group, asked: Sequence[Asking]) -> dict[str, list[Window]]:
    """Windows in which each kit of a group is wanted without those of turnarounds."""
    valves = set(group.valves)
    return {
        kit: sorted({
            window for one in asked if one.kit == kit and not one.valves.isdisjoint(valves) for window in one.windows
        })
        for kit in sorted({plan.kit for plan in group.plans})
    }


def _by_class(groups: Sequence[Group]) -> dict[str, list[Group]]:
    """Put groups of one class together."""
    classes: dict[str, list[Group]] = defaultdict(list)
    for group in groups:
        classes[group.service_class].append(group)
    return dict(sorted(classes.items()))


def _kits_of_class(
    groups: Sequence[Group],
    points: LifetimePoints,
    windows: Sequence[Window],
    *,
    asked: Sequence[Asking],
    dates: KitDates,
) -> dict[str, list[KitPoints]]:
    """Count the kits of one class, by kit."""
    by_kit: dict[str, list[KitPoints]] = defaultdict(list)
    for group in groups:
        lifetimes = points.of_items(group.service_class, [plan.item for plan in group.plans])
        running = _running(group, asked)
        for made in kits_at_points(group, lifetimes, windows, weights=points.weights, running=running, dates=dates):
            by_kit[made.over.kit].append(made)
    return dict(sorted(by_kit.items()))


def plant_demand(
    groups: Sequence[Group],
    points: LifetimePoints,
    windows: Sequence[Window],
    *,
    areas: Mapping[str, frozenset[str]],
    asked: Sequence[Asking],
    dates: KitDates,
) -> PlantDemand:
    """Forecast the kits that groups of valves use and the demand of sets of valves.

    Parameters
    ----------
    groups : sequence of Group [days]
        Of like valves.
    points : LifetimePoints [days]
        What is known of their lifetimes.
    windows : sequence of (start, end] [days from now]
        For which demand is wanted by area.
    areas : mapping from area to tags [tags]
        Sets of valves.
    asked : sequence of Asking [kits]
        For which demand on the run is wanted.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    PlantDemand [kits]
        Nothing for sets of valves that don't take a kit.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> import numpy as np
    >>> from forecasting.kit_dates import kit_dates
    >>> dates, points = kit_dates([], {}, designs={}, as_of=800), LifetimePoints(weights=np.ones(1), lifetimes={})
    >>> plant_demand([], points, [(0.0, 30.0)], areas={}, asked=[], dates=dates).demand
    {}
    """
    taken: list[TakeUp] = []
    in_areas, on_the_run, weights = _found(), _found(), points.weights
    for members in _by_class(groups).values():
        by_kit = _kits_of_class(members, points, windows, asked=asked, dates=dates)
        taken += [made.over for several in by_kit.values() for made in several]
        for area, valves in areas.items():
            for kit, several in by_kit.items():
                takers = _takers(several, valves)
                for window in windows if takers else ():
                    found = mixed_demand(takers, window, valves=valves, weights=weights)
                    in_areas[area, kit][window].append(found)
        for one in asked:
            takers = _takers(by_kit.get(one.kit, []), one.valves)
            for window in one.windows if takers else ():
                found = mixed_running_demand(takers, window, valves=one.valves, weights=weights)
                on_the_run[one.storeroom, one.kit][window].append(found)
    return PlantDemand(taken=tuple(taken), demand=_added(in_areas), running=_added(on_the_run))
