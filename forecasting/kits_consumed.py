"""From renewals to the kits they take, where the record says that these aren't always the design's.

Counts of renewals and their expectations in, the same of kits out; where nothing departs from the design, untouched.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import Group, TakeUp, Window
from forecasting.kit_attribution import Kind, RenewalSeen
from forecasting.kits_per_renewal import (
    KitChances,
    chance_points,
    kits_from_renewals,
    kits_per_renewal,
    spread_columns,
)

__all__ = ["ClassOutcomes", "Key", "kits_consumed", "outcomes_by_class"]

Key = tuple[str, str, tuple[str, ...]]
"""Service class, design, and items renewed together."""


@dataclass(frozen=True, kw_only=True)
class ClassOutcomes:
    """What renewals take in one class and design, the same at each point for all of its valves.

    Parameters
    ----------
    chances : mapping from Kind to KitChances [renewals]
        By what a renewal counts as; the same outcomes for all.
    points : mapping from Kind to float array, shape (k, outcomes) [1]
        Equally likely probabilities.
    """

    chances: Mapping[Kind, KitChances]
    points: Mapping[Kind, FloatArray]


def _key(group: Group, one: TakeUp) -> Key:
    """Whose uncertainty it is."""
    return group.service_class, group.design, one.items


def outcomes_by_class(
    taken: Iterable[tuple[Group, TakeUp]], seen: Sequence[RenewalSeen], *, points: int, first: int = 0
) -> dict[Key, ClassOutcomes]:
    """Estimate what renewals take, class by class, where that isn't always what the design states.

    Parameters
    ----------
    taken : iterable of (Group, TakeUp) [renewals]
        All that is forecast, in the numbers the designs state.
    seen : sequence of RenewalSeen [renewals]
        The record, from `renewals_seen`.
    points : int [1]
        How many equally likely values; 1: the mean alone.
    first : int [number]
        First column of the low-discrepancy set that isn't used for something else.

    Returns
    -------
    dict from Key to ClassOutcomes [1]
        Empty where every event took what its design states.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> outcomes_by_class([], [], points=16)
    {}
    """
    by_item: dict[tuple[str, str], list[RenewalSeen]] = defaultdict(list)
    for renewal in seen:
        by_item[renewal.design, renewal.item].append(renewal)
    stated = {_key(group, one): ((one.kit, one.qty),) for group, one in taken}
    found: dict[Key, ClassOutcomes] = {}
    for service_class, design, items in sorted(stated):
        key = service_class, design, items
        alike = [renewal for item in items for renewal in by_item[design, item]]
        if all(renewal.kits == stated[key] for renewal in alike):
            continue
        chances = {
            kind: kits_per_renewal(alike, stated=stated[key], labels=[service_class, kind.value]) for kind in Kind
        }
        at = {}
        for kind, one in chances.items():
            sticks = len(one.outcomes) - 1
            at[kind] = chance_points(one, unit=spread_columns(points, columns=sticks, first=first))
            first += sticks
        found[key] = ClassOutcomes(chances=chances, points=at)
    return found


def kits_consumed(
    one: TakeUp, group: Group, outcomes: Mapping[Key, ClassOutcomes], *, point: int
) -> tuple[TakeUp, ...]:
    """Turn renewals into the kits they take, at one point of what is known of that.

    The product over valves is taken at each point, and mixed over points afterwards: valves of a class share what isn't
    known. In each window a renewal takes what those of its kind take, in the shares of the group's expected renewals:
    expected kits of a group are exact, and so are those of each valve by kind.

    Parameters
    ----------
    one : TakeUp [kits]
        Counts of renewals.
    group : Group [days]
        Its valves.
    outcomes : mapping from Key to ClassOutcomes [1]
        From `outcomes_by_class`.
    point : int [number]
        Which point.

    Returns
    -------
    tuple of TakeUp [kits]
        One per kit, counts of kits; what was given where the record doesn't depart from the design. Kits that the
        same renewal takes together are independent in them.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> month, none = (0.0, 30.0), np.zeros(1)
    >>> taken = TakeUp(
    ...     kit="K", qty=2, items=("seat",), valves=("V",), probabilities={month: np.array([[0.5, 0.5]])}, running={},
    ...     unplanned={month: none + 1.0}, planned={month: none}, turnaround={month: none}, note="",
    ... )
    >>> group = Group(plans=(), valves=("V",), ages=(), service_class="air", design="D")
    >>> alike = {"valve": "V", "design": "D", "item": "seat", "service_class": "air", "found": None}
    >>> seen = [RenewalSeen(kind=Kind.UNPLANNED, kits=(("K", qty),), **alike) for qty in (2, 2, 1)]
    >>> outcomes = outcomes_by_class([(group, taken)], seen, points=1)
    >>> kits = kits_consumed(taken, group, outcomes, point=0)[0]
    >>> kits.probabilities[month].round(6), kits.unplanned[month].round(6)  # 1.5 of 5.5 weigh for one kit
    (array([[0.5     , 0.136364, 0.363636]]), array([0.863636]))
    """
    found = outcomes.get(_key(group, one))
    if found is None:
        return (one,)
    return tuple(_of_kit(one, found, kit, point) for kit in found.chances[Kind.UNPLANNED].kits)


def _of_kit(one: TakeUp, found: ClassOutcomes, kit: str, point: int) -> TakeUp:
    """Count one kit at one point."""
    each = {kind: found.points[kind][point] @ chances.taking(kit) for kind, chances in found.chances.items()}

    def mixed(window: Window, kinds: Sequence[Kind]) -> FloatArray:
        expected = np.array([getattr(one, kind.value)[window].sum() for kind in kinds])
        shares = expected / expected.sum() if expected.sum() > 0.0 else np.eye(len(kinds))[0]
        return np.asarray(shares @ np.stack([each[kind] for kind in kinds]))

    def means(kind: Kind) -> dict[Window, FloatArray]:
        per_kit = float(each[kind] @ np.arange(len(each[kind]))) / one.qty
        return {window: per_kit * expected for window, expected in getattr(one, kind.value).items()}

    return replace(
        one,
        kit=kit,
        qty=1,
        probabilities={
            window: kits_from_renewals(counts, mixed(window, tuple(Kind)))
            for window, counts in one.probabilities.items()
        },
        running={
            window: kits_from_renewals(counts, mixed(window, (Kind.UNPLANNED, Kind.PLANNED)))
            for window, counts in one.running.items()
        },
        unplanned=means(Kind.UNPLANNED),
        planned=means(Kind.PLANNED),
        turnaround=means(Kind.TURNAROUND),
    )
