"""Demand of a plant under uncertain lifetimes: class by class, wherever an executor computes them."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from forecasting.consumption import Group, TakeUp, Window, renewed_together
from forecasting.demand import Demand, demand_of_classes, mixed_demands
from forecasting.executors import HERE
from forecasting.kit_dates import KitDates
from forecasting.kit_points import KitPoints, Looks, kits_at_points
from forecasting.kits_consumed import ClassOutcomes, Key
from forecasting.lifetime_points import LifetimePoints
from forecasting.spending import ClassSpend, Spend, SpendAsked, spend_of_class, spend_of_classes

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
    cover : (start, end] [days from now]
        That of them in which single valves are told, too.
    """

    storeroom: str
    kit: str
    valves: frozenset[str]
    windows: tuple[Window, ...]
    cover: Window


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
    spend : mapping from area to window to Spend [money]
        On kits outside turnarounds, as far as asked.
    """

    taken: tuple[TakeUp, ...]
    demand: Mapping[tuple[str, str], Mapping[Window, Demand]]
    running: Mapping[tuple[str, str], Mapping[Window, Demand]]
    spend: Mapping[str, Mapping[Window, Spend]]


Parts = dict[tuple[str, str], dict[Window, Demand]]
Spent = dict[str, dict[Window, ClassSpend]]
NO_SPEND = SpendAsked()


@dataclass(frozen=True, kw_only=True)
class _Class:
    """What is asked of one service class; classes have nothing to do with each other."""

    groups: tuple[Group, ...]
    points: LifetimePoints
    windows: tuple[Window, ...]
    areas: Mapping[str, frozenset[str]]
    asked: tuple[Asking, ...]
    dates: KitDates
    outcomes: Mapping[Key, ClassOutcomes]
    spend: SpendAsked
    looks: tuple[Window, ...]


@dataclass(frozen=True, kw_only=True)
class _ClassDemand:
    """What was found of it."""

    taken: tuple[TakeUp, ...]
    in_areas: Parts
    on_the_run: Parts
    spent: Spent


def _added(found: Sequence[Parts]) -> dict[tuple[str, str], dict[Window, Demand]]:
    """Add the classes, in the order of windows."""
    parts: dict[tuple[str, str], dict[Window, list[Demand]]] = defaultdict(lambda: defaultdict(list))
    for of_class in found:
        for key, by_window in of_class.items():
            for window, demand in by_window.items():
                parts[key][window].append(demand)
    return {
        key: {window: demand_of_classes(several) for window, several in sorted(by_window.items())}
        for key, by_window in parts.items()
    }


def _added_spend(found: Sequence[Spent]) -> dict[str, dict[Window, Spend]]:
    """Add what the classes spend."""
    parts: dict[str, dict[Window, list[ClassSpend]]] = defaultdict(lambda: defaultdict(list))
    for of_class in found:
        for area, by_window in of_class.items():
            for window, spent in by_window.items():
                parts[area][window].append(spent)
    return {
        area: {window: spend_of_classes(several) for window, several in sorted(by_window.items())}
        for area, by_window in parts.items()
    }


def _takers(made: Sequence[KitPoints], valves: frozenset[str]) -> list[TakeUp]:
    """Find those that any of these valves is among."""
    return [one.at for one in made if not valves.isdisjoint(one.over.valves)]


def _key(group: Group, items: Iterable[str]) -> Key:
    return group.service_class, group.design, frozenset(items)


def _running(one: _Class) -> dict[str, list[Window]]:
    """Windows in which what renewals of each kit take is wanted without those of turnarounds."""
    kits: dict[str, set[str]] = defaultdict(set)
    for group in one.groups:
        for plans in renewed_together(group):
            known = one.outcomes.get(_key(group, [plan.item for plan in plans]))
            kits[plans[0].kit] |= {plans[0].kit, *(() if known is None else known.kits)}
    return {
        kit: sorted({window for asking in one.asked if asking.kit in taken for window in asking.windows})
        for kit, taken in sorted(kits.items())
    }


def _looks(one: _Class) -> Looks:
    """Tell single valves where the plant asks for them, and what they take while an order is awaited."""
    covers: dict[str, set[Window]] = defaultdict(set)
    for asking in one.asked:
        covers[asking.kit].add(asking.cover)
    return Looks(windows=frozenset(one.looks), expected={kit: frozenset(found) for kit, found in covers.items()})


def _kits_of_class(one: _Class) -> dict[str, list[KitPoints]]:
    """Count the kits of one class, by kit."""
    by_kit: dict[str, list[KitPoints]] = defaultdict(list)
    items = sorted({plan.item for group in one.groups for plan in group.plans})
    made = kits_at_points(
        one.groups,
        one.points.of_items(one.groups[0].service_class, items),
        one.windows,
        weights=one.points.weights,
        running=_running(one),
        dates=one.dates,
        outcomes=one.outcomes,
        looks=_looks(one),
    )
    for kits in made:
        by_kit[kits.over.kit].append(kits)
    return dict(sorted(by_kit.items()))


def _demand_of_class(one: _Class) -> _ClassDemand:
    """Compute one class; only its points are in memory meanwhile."""
    by_kit, weights = _kits_of_class(one), one.points.weights
    in_areas: Parts = {}
    on_the_run: Parts = {}
    for kit, several in by_kit.items():
        # a class may lie within one storeroom, and so on
        known: dict[frozenset[str], dict[Window, Demand]] = {}
        for area, valves in one.areas.items():
            takers = _takers(several, valves)
            if takers and valves not in known:
                known[valves] = mixed_demands(takers, one.windows, valves=valves, weights=weights)
            if takers:
                in_areas[area, kit] = known[valves]
    for asking in one.asked:
        takers = _takers(by_kit.get(asking.kit, []), asking.valves)
        if takers:
            on_the_run[asking.storeroom, asking.kit] = mixed_demands(
                takers, asking.windows, valves=asking.valves, weights=weights, running=True
            )
    taken = tuple(made.over for several in by_kit.values() for made in several)
    return _ClassDemand(taken=taken, in_areas=in_areas, on_the_run=on_the_run, spent=_spent(one, by_kit))


def _spent(one: _Class, by_kit: Mapping[str, Sequence[KitPoints]]) -> Spent:
    """Say what one class spends."""
    prices, points = one.spend.prices, len(one.points.weights)
    return {
        area: spend_of_class(by_kit, one.spend.windows, valves=valves, prices=prices, points=points)
        for area, valves in one.spend.areas.items()
    }


def _of_class(whole: _Class, service_class: str) -> _Class:
    """Leave out what other classes are asked, so that little travels to where this one is computed."""
    groups = tuple(group for group in whole.groups if group.service_class == service_class)
    valves = {valve for group in groups for valve in group.valves}
    points = {key: several for key, several in whole.points.lifetimes.items() if key[0] == service_class}
    asked = (replace(one, valves=one.valves & valves) for one in whole.asked)
    spending = {area: found for area, tags in whole.spend.areas.items() if (found := tags & valves)}
    return replace(
        whole,
        groups=groups,
        points=replace(whole.points, lifetimes=points),
        areas={area: found for area, tags in whole.areas.items() if (found := tags & valves)},
        asked=tuple(one for one in asked if one.valves),
        dates=replace(whole.dates, waiting={tag: kits for tag, kits in whole.dates.waiting.items() if tag in valves}),
        outcomes={key: one for key, one in whole.outcomes.items() if key[0] == service_class},
        spend=replace(whole.spend, areas=spending),
    )


def plant_demand(
    groups: Sequence[Group],
    points: LifetimePoints,
    windows: Sequence[Window],
    *,
    areas: Mapping[str, frozenset[str]],
    asked: Sequence[Asking],
    dates: KitDates,
    outcomes: Mapping[Key, ClassOutcomes],
    executor: Executor = HERE,
    spend: SpendAsked = NO_SPEND,
    looks: Sequence[Window] | None = None,
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
    outcomes : mapping from Key to ClassOutcomes [1]
        What renewals take where that isn't always what the design states, at the points of lifetimes.
    executor : Executor [1]
        Computes the service classes; where makes no difference to what comes out.
    spend : SpendAsked [money]
        What is wanted of spending; its windows are among those of demand.
    looks : sequence of (start, end] or None [days from now]
        Those of the windows in which single valves are told; None: all.

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
    >>> plant_demand([], points, [(0.0, 30.0)], areas={}, asked=[], dates=dates, outcomes={}).demand
    {}
    """
    whole = _Class(
        groups=tuple(groups),
        points=points,
        windows=tuple(windows),
        areas=areas,
        asked=tuple(asked),
        dates=dates,
        outcomes=outcomes,
        spend=spend,
        looks=tuple(windows if looks is None else looks),
    )
    classes = sorted({group.service_class for group in groups})
    found = list(executor.map(_demand_of_class, [_of_class(whole, service_class) for service_class in classes]))
    return PlantDemand(
        taken=tuple(taken for one in found for taken in one.taken),
        demand=_added([one.in_areas for one in found]),
        running=_added([one.on_the_run for one in found]),
        spend=_added_spend([one.spent for one in found]),
    )
