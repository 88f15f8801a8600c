"""From renewals to the kits they take, where the record says that these aren't always the design's.

Counts of renewals and their expectations in, the same of kits out; where nothing departs from the design, untouched.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import TakeUp, Window
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_per_renewal import (
    KitChances,
    chance_points,
    kits_from_renewals,
    kits_per_renewal,
    spread_columns,
)

__all__ = ["ClassOutcomes", "Key", "kit_consumed", "outcomes_by_class"]

Key = tuple[str, str, frozenset[str]]
"""Service class, design, and items renewed together."""
TINY = 1e-300


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

    @property
    def kits(self) -> tuple[str, ...]:
        """Every kit that may be taken, that of the design first."""
        return self.chances[Kind.UNPLANNED].kits

    @property
    def mean(self) -> "ClassOutcomes":
        """One point, in the middle of the others."""
        middle = {kind: points.mean(axis=0, keepdims=True) for kind, points in self.points.items()}
        return replace(self, points=middle)


def outcomes_by_class(
    stated: Mapping[Key, Bill], seen: Sequence[RenewalSeen], *, points: int
) -> dict[Key, ClassOutcomes]:
    """Estimate what renewals take, class by class, where that isn't always what the design states.

    Parameters
    ----------
    stated : mapping from Key to Bill [kits]
        What the designs state, of all that is forecast.
    seen : sequence of RenewalSeen [renewals]
        The record, from `renewals_seen`.
    points : int [1]
        How many equally likely values; 1: the mean alone.

    Returns
    -------
    dict from Key to ClassOutcomes [1]
        Empty where every event took what its design states.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> outcomes_by_class({("air", "D", frozenset({"seat"})): (("K", 1),)}, [], points=16)
    {}
    """
    by_item: dict[tuple[str, str], list[RenewalSeen]] = defaultdict(list)
    for renewal in seen:
        by_item[renewal.design, renewal.item].append(renewal)
    found: dict[Key, ClassOutcomes] = {}
    first = 0
    for key in sorted(stated, key=lambda one: (one[0], one[1], sorted(one[2]))):
        service_class, design, items = key
        alike = [renewal for item in sorted(items) for renewal in by_item[design, item]]
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


def kit_consumed(one: TakeUp, outcomes: ClassOutcomes, *, kit: str, point: int) -> TakeUp:
    """Turn renewals into one of the kits they take, at one point of what is known of that.

    The product over valves is taken at each point, and mixed over points afterwards: valves of a class share what isn't
    known. A renewal takes what those of its kind take, in the shares of the valve's expected renewals in the window:
    expected kits are exact. What one renewal takes of several kits is taken as independent.

    Parameters
    ----------
    one : TakeUp [kits]
        Counts of renewals.
    outcomes : ClassOutcomes [1]
        Of its class, design and items.
    kit : str [code]
        One of `outcomes.kits`.
    point : int [number]
        Which point.

    Returns
    -------
    TakeUp [kits]
        Counts of this kit.

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
    >>> alike = {"design": "D", "item": "seat", "service_class": "air", "found": None}
    >>> seen = [RenewalSeen(kind=Kind.UNPLANNED, kits=(("K", qty),), **alike) for qty in (2, 2, 1)]
    >>> key = ("air", "D", frozenset({"seat"}))
    >>> outcomes = outcomes_by_class({key: (("K", 2),)}, seen, points=1)
    >>> kits = kit_consumed(taken, outcomes[key], kit="K", point=0)
    >>> kits.probabilities[month].round(6), kits.unplanned[month].round(6)  # 1.5 of 5.5 weigh for one kit
    (array([[0.5     , 0.136364, 0.363636]]), array([0.863636]))
    """
    each = {kind: outcomes.points[kind][point] @ chances.taking(kit) for kind, chances in outcomes.chances.items()}

    def mixed(window: Window, kinds: Sequence[Kind]) -> FloatArray:
        expected = np.stack([getattr(one, kind.value)[window] for kind in kinds], axis=1)  # (valves, kinds)
        whole = expected.sum(axis=1, keepdims=True)
        unplanned = np.eye(len(kinds))[[0]]
        shares = np.where(whole > 0.0, expected / np.maximum(whole, TINY), unplanned)
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
