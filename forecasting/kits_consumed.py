"""From renewals to the kits they take, where the record says that these aren't always the design's.

Counts of renewals and their expectations in, the same of kits out; where nothing departs from the design, untouched.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import Group, TakeUp, Window, renewed_together
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_per_renewal import KitChances, chance_points, kits_from_renewals, kits_per_renewal
from forecasting.lifetime_points import LifetimePoints, points_beside

__all__ = ["ClassOutcomes", "Key", "kit_consumed", "outcomes_by_class", "outcomes_of_groups"]

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

    def of_kit(self, kit: str) -> FloatArray:
        """P(0), P(1), ... of a kit at a renewal of each kind at each point, shape (k, kinds, q)."""
        each = [self.points[kind] @ self.chances[kind].taking(kit) for kind in Kind]
        return np.stack(each, axis=1)


def outcomes_by_class(
    stated: Mapping[Key, Bill], seen: Sequence[RenewalSeen], *, points: int, taken: Mapping[str, int]
) -> dict[Key, ClassOutcomes]:
    """Estimate what renewals take, class by class, where that isn't always what the design states.

    Points of a class are those of its lifetimes: what is known of kits has further coordinates of them.

    Parameters
    ----------
    stated : mapping from Key to Bill [kits]
        What the designs state, of all that is forecast.
    seen : sequence of RenewalSeen [renewals]
        The record, from `renewals_seen`.
    points : int [1]
        How many equally likely values; 1: the mean alone.
    taken : mapping from service class to int [1]
        Coordinates of its lifetimes; none where it is left out.

    Returns
    -------
    dict from Key to ClassOutcomes [1]
        Empty where every event took what its design states.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> outcomes_by_class({("air", "D", frozenset({"seat"})): (("K", 1),)}, [], points=16, taken={})
    {}
    """
    by_item: dict[tuple[str, str], list[RenewalSeen]] = defaultdict(list)
    for renewal in seen:
        by_item[renewal.design, renewal.item].append(renewal)
    found: dict[str, dict[Key, dict[Kind, KitChances]]] = defaultdict(dict)
    for key in sorted(stated, key=lambda one: (one[0], one[1], sorted(one[2]))):
        service_class, design, items = key
        alike = [renewal for item in sorted(items) for renewal in by_item[design, item]]
        if any(renewal.kits != stated[key] for renewal in alike):
            found[service_class][key] = {
                kind: kits_per_renewal(alike, stated=stated[key], labels=[service_class, kind.value]) for kind in Kind
            }
    return {
        key: outcomes
        for service_class, of_class in found.items()
        for key, outcomes in _laid_out(of_class, points=points, taken=taken.get(service_class, 0)).items()
    }


def outcomes_of_groups(
    groups: Iterable[Group], seen: Sequence[RenewalSeen], *, points: LifetimePoints
) -> dict[Key, ClassOutcomes]:
    """Estimate what the renewals of groups of valves take, at the points of their lifetimes.

    Parameters
    ----------
    groups : iterable of Group [valves]
        All of a class and design take alike.
    seen : sequence of RenewalSeen [renewals]
        The record.
    points : LifetimePoints [days]
        What is known of lifetimes.

    Returns
    -------
    dict from Key to ClassOutcomes [1]
        As `outcomes_by_class`.

    References
    ----------
    DEVELOPERS.md, "Kits of a renewal".

    Examples
    --------
    >>> outcomes_of_groups([], [], points=LifetimePoints(weights=np.ones(1), lifetimes={}))
    {}
    """
    stated = {
        (group.service_class, group.design, frozenset(plan.item for plan in plans)): (
            (plans[0].kit, max(plan.qty for plan in plans)),
        )
        for group in groups
        for plans in renewed_together(group)
    }
    taken = {service_class: points.coordinates(service_class) for service_class, _, _ in stated}
    return outcomes_by_class(stated, seen, points=len(points.weights), taken=taken)


def _laid_out(
    of_class: Mapping[Key, Mapping[Kind, KitChances]], *, points: int, taken: int
) -> dict[Key, ClassOutcomes]:
    """Give what one class takes its points: what matters most, failures, has the first coordinates."""
    sticks = {(kind, key): len(of_class[key][kind].outcomes) - 1 for kind in Kind for key in of_class}
    edges = np.cumsum([0, *sticks.values()])
    unit = points_beside(points, taken=taken, columns=int(edges[-1]))
    at = {
        (kind, key): chance_points(of_class[key][kind], unit=unit[:, first:last])
        for (kind, key), first, last in zip(sticks, edges, edges[1:], strict=False)
    }
    return {
        key: ClassOutcomes(chances=chances, points={kind: at[kind, key] for kind in Kind})
        for key, chances in of_class.items()
    }


def _each(expected: FloatArray, each: FloatArray) -> FloatArray:
    """Mix what a renewal takes in the shares of the kinds; shapes (kinds, rows) and (k, kinds, q) to (rows, q).

    Rows are all valves at the first point, then at the second, and so on.
    """
    whole = expected.sum(axis=0)
    unplanned = np.eye(len(expected))[:, [0]]
    shares = np.where(whole > 0.0, expected / np.maximum(whole, TINY), unplanned)
    by_point = shares.reshape(len(expected), len(each), -1).transpose(1, 2, 0)
    return np.asarray((by_point @ each).reshape(-1, each.shape[2]))


def _compounded(
    counts: Mapping[Window, FloatArray], kinds: Sequence[Mapping[Window, FloatArray]], each: FloatArray
) -> dict[Window, FloatArray]:
    """Compound the counts of every window, all of one width at once."""
    alike: dict[int, list[Window]] = defaultdict(list)
    for window, rows in counts.items():
        alike[rows.shape[1]].append(window)
    made: dict[Window, FloatArray] = {}
    for windows in alike.values():
        outcome = [_each(np.stack([kind[window] for kind in kinds]), each) for window in windows]
        kits = kits_from_renewals(np.stack([counts[window] for window in windows]), np.stack(outcome))
        made.update(zip(windows, kits, strict=True))
    return made


def kit_consumed(one: TakeUp, outcomes: ClassOutcomes, *, kit: str) -> TakeUp:
    """Turn renewals into one of the kits they take, at every point of what is known of that.

    The product over valves is taken at each point, and mixed over points afterwards: valves of a class share what isn't
    known. A renewal takes what those of its kind take, in the shares of the valve's expected renewals in the window:
    expected kits are exact. What one renewal takes of several kits is taken as independent.

    Parameters
    ----------
    one : TakeUp [kits]
        Counts of renewals, in kits that the design states; rows are all valves at the first point, then at the second,
        and so on.
    outcomes : ClassOutcomes [1]
        Of its class, design and items, at the same points.
    kit : str [code]
        One of `outcomes.kits`.

    Returns
    -------
    TakeUp [kits]
        Counts of this kit, in the same rows.

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
    >>> outcomes = outcomes_by_class({key: (("K", 2),)}, seen, points=1, taken={})
    >>> kits = kit_consumed(taken, outcomes[key], kit="K")
    >>> kits.probabilities[month].round(6), kits.unplanned[month].round(6)  # 1.5 of 5.5 weigh for one kit
    (array([[0.5     , 0.136364, 0.363636]]), array([0.863636]))
    """
    each = outcomes.of_kit(kit)
    per_kit = each @ np.arange(each.shape[2]) / one.qty  # (points, kinds)

    def means(kind: int, expected: Mapping[Window, FloatArray]) -> dict[Window, FloatArray]:
        return {window: (rows.reshape(len(each), -1) * per_kit[:, [kind]]).ravel() for window, rows in expected.items()}

    return replace(
        one,
        kit=kit,
        qty=1,
        probabilities=_compounded(one.probabilities, [one.unplanned, one.planned, one.turnaround], each),
        running=_compounded(one.running, [one.unplanned, one.planned], each[:, :2]),
        unplanned=means(0, one.unplanned),
        planned=means(1, one.planned),
        turnaround=means(2, one.turnaround),
    )
