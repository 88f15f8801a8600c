"""Kits at each point of what is known of lifetimes: groups and points in, kits by point and valve out.

Renewals are counted at the centre; at every point they are only expected, in coarse cells, and each valve's counts are
moved to what is expected there.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import Expectations, Group, TakeUp, Told, Window, kits_expected, kits_taken
from forecasting.kit_dates import KitDates, expected_when_used, kits_moved, windows_to_count, with_outstanding
from forecasting.kits_consumed import ClassOutcomes, Key, kit_consumed
from forecasting.lifetimes import Lifetime
from forecasting.like_groups import Family, OfDesign, families
from forecasting.tilting import tilted

__all__ = ["KitPoints", "Looks", "expected_over_points", "kits_at_points"]

NOTHING = 1e-12
"""Kits expected that count as none."""
MOST_TIMES = 1e4
NO_OUTCOMES: Mapping[Key, ClassOutcomes] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class KitPoints:
    """How many of one kit the valves of a group take, at each point and over all of them.

    Parameters
    ----------
    at : TakeUp [kits]
        Rows are all valves at the first point, then at the second, and so on.
    over : TakeUp [kits]
        Rows are valves, each mixed over the points.
    """

    at: TakeUp
    over: TakeUp


@dataclass(frozen=True, kw_only=True)
class Looks:
    """Windows in which single valves are told.

    Parameters
    ----------
    windows : frozenset of (start, end] [days from now]
        P(0), P(1), ... and expectations.
    expected : mapping from kit to frozenset of (start, end] [days from now]
        Expectations alone, of this kit.
    """

    windows: frozenset[Window]
    expected: Mapping[str, frozenset[Window]]

    def of(self, one: TakeUp) -> TakeUp:
        """Leave out of a take-up what isn't looked at."""
        every = self.windows | self.expected.get(one.kit, frozenset())

        def kept(found: Mapping[Window, FloatArray], windows: frozenset[Window]) -> dict[Window, FloatArray]:
            return {window: rows for window, rows in found.items() if window in windows}

        return replace(
            one,
            probabilities=kept(one.probabilities, self.windows),
            unplanned=kept(one.unplanned, every),
            planned=kept(one.planned, every),
            turnaround=kept(one.turnaround, every),
        )


def kits_at_points(
    groups: Sequence[Group],
    points: Sequence[Mapping[str, Lifetime]],
    windows: Sequence[Window],
    *,
    weights: FloatArray,
    running: Mapping[str, Sequence[Window]],
    dates: KitDates,
    outcomes: Mapping[Key, ClassOutcomes] = NO_OUTCOMES,
    looks: Looks | None = None,
) -> list[KitPoints]:
    """Distribution of the kits each valve of groups of one service class uses in each window, at each point.

    Parameters
    ----------
    groups : sequence of Group [days]
        Of like valves, with lifetimes at the centre.
    points : sequence of mappings from item to Lifetime [days]
        Lifetimes of the items of the class at each point.
    windows : sequence of (start, end] [days from now]
        For which kits are wanted.
    weights : float array, shape (points,) [1]
        How likely each point is.
    running : mapping from kit to sequence of (start, end] [days from now]
        For which each is wanted without those of turnarounds.
    dates : KitDates [days]
        When kits leave the shelf.
    outcomes : mapping from Key to ClassOutcomes [1]
        What renewals take where that isn't always what the design states.
    looks : Looks or None [days from now]
        In which single valves are told; None: in all windows.

    Returns
    -------
    list of KitPoints [kits]
        One per design, kit and set of items renewed together, or more where groups don't run alike.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> from forecasting.clocks import ItemAge
    >>> from forecasting.consumption import ItemPlan
    >>> from forecasting.kit_dates import kit_dates
    >>> from forecasting.lifetimes import Weibull
    >>> seats = [Weibull(scale=scale, shape=1.0) for scale in (1000.0, 500.0, 2000.0)]
    >>> plan = ItemPlan(item="seat", lifetime=seats[0], interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))
    >>> age = ItemAge(
    ...     valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ... )
    >>> group = Group(plans=(plan,), valves=("V",), ages=({"seat": age},))
    >>> (made,) = kits_at_points(
    ...     [group], [{"seat": seat} for seat in seats[1:]], [(0.0, 50.0)], weights=np.full(2, 0.5), running={},
    ...     dates=kit_dates([], {}, designs={}, as_of=9),
    ... )
    >>> made.at.unplanned[0.0, 50.0].round(4), made.over.unplanned[0.0, 50.0].round(4)
    (array([0.1  , 0.025]), array([0.0625]))
    """
    asked = _Asked(told_apart=tuple(sorted(set(windows))), running=running)
    made = []
    for family in families(groups, apart=dates.waiting):
        for of_design, at in _by_kit(family, points, asked, dates=dates):
            for one in _consumed(at, of_design, outcomes):
                seen = one if looks is None else looks.of(one)
                over = _over_points(replace(seen, running={}), of_design.first, weights)
                every = of_design.of_all(one, points=len(weights))
                made.append(KitPoints(at=every, over=of_design.of_all(over, points=1)))
    return made


def expected_over_points(
    groups: Sequence[Group],
    points: Sequence[Mapping[str, Lifetime]],
    windows: Sequence[Window],
    *,
    weights: FloatArray,
    dates: KitDates,
    outcomes: Mapping[Key, ClassOutcomes],
) -> list[TakeUp]:
    """Expect the kits each valve of groups of one service class uses in each window, over all points.

    Parameters
    ----------
    groups : sequence of Group [days]
        Of like valves, with lifetimes at the centre.
    points : sequence of mappings from item to Lifetime [days]
        Lifetimes of the items of the class at each point.
    windows : sequence of (start, end] [days from now]
        For which kits are wanted.
    weights : float array, shape (points,) [1]
        How likely each point is.
    dates : KitDates [days]
        When kits leave the shelf.
    outcomes : mapping from Key to ClassOutcomes [1]
        What renewals take where that isn't always what the design states.

    Returns
    -------
    list of TakeUp [kits]
        As `over` of `kits_at_points`, without P(0), P(1), ...

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> from forecasting.kit_dates import kit_dates
    >>> dates = kit_dates([], {}, designs={}, as_of=9)
    >>> expected_over_points([], [], [], weights=np.ones(0), dates=dates, outcomes={})
    []
    """
    asked = _Asked(told_apart=(), expected=tuple(sorted(set(windows))))
    return [
        of_design.of_all(_over_points(one, of_design.first, weights), points=1)
        for family in families(groups, apart=dates.waiting)
        for of_design, at in _by_kit(family, points, asked, dates=dates)
        for one in _consumed(at, of_design, outcomes)
    ]


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """Windows in which counts are told apart, by kit those without turnarounds, and those only expected."""

    told_apart: tuple[Window, ...]
    running: Mapping[str, Sequence[Window]] = field(default_factory=dict)
    expected: tuple[Window, ...] = ()

    def of_kit(self, kit: str) -> list[Window]:
        """List the windows in which one kit is expected."""
        return sorted({*self.told_apart, *self.expected, *self.running.get(kit, ())})

    def of_design(self, design: OfDesign, *, dates: KitDates) -> list[Window]:
        """List the windows in which renewals of a design are counted."""
        every = sorted({window for kit in design.kits for window in self.of_kit(kit)})
        return windows_to_count(design.group, every, dates=dates) if every else []


def _consumed(at: TakeUp, of_design: OfDesign, outcomes: Mapping[Key, ClassOutcomes]) -> list[TakeUp]:
    """Kits that renewals take where that isn't always what the design states, one by one."""
    known = outcomes.get((of_design.group.service_class, of_design.group.design, frozenset(at.items)))
    return [at] if known is None else [kit_consumed(at, known, kit=kit) for kit in known.kits]


def _counted(family: Family, asked: _Asked, *, dates: KitDates) -> tuple[list[Window], tuple[TakeUp, ...]]:
    """Count the renewals of a family once, in the parts of windows in which any of its valves is in service."""
    counted: set[Window] = set()
    told_apart: dict[str, set[Window]] = defaultdict(set)
    running: dict[str, set[Window]] = defaultdict(set)
    for one in family.designs:
        windows = asked.of_design(one, dates=dates)
        counted |= one.parts(windows)
        for kit, name in one.kits.items():
            told_apart[name] |= one.parts(asked.told_apart)
            running[name] |= one.parts(asked.running.get(kit, ()))
    every = sorted(counted)
    told = {kit: Told(every=frozenset(told_apart[kit]), running=frozenset(running[kit])) for kit in told_apart}
    return every, kits_taken(family.group, every, told_apart=told)


def _by_kit(
    family: Family, points: Sequence[Mapping[str, Lifetime]], asked: _Asked, *, dates: KitDates
) -> Iterator[tuple[OfDesign, TakeUp]]:
    """Lay out the kits of a family at every point, each in the windows in which it is wanted, by design."""
    every, taken = _counted(family, asked, dates=dates)
    centre = {plan.item: plan.lifetime for plan in family.group.plans}
    expected = kits_expected(family.group, [centre, *points], every)
    for one in family.designs:
        counted = asked.of_design(one, dates=dates)
        for stands, means in zip(taken, expected, strict=True):
            kit = one.kit_of(stands)
            windows, apart = asked.of_kit(kit), list(asked.running.get(kit, ()))
            kinds = one.taken(stands, counted, told_apart=asked.told_apart, running=apart)
            moved = kits_moved(kinds, one.group, windows, running=apart, dates=dates)
            laid = one.expected(means, counted, lifetimes=len(points) + 1)
            shifts = expected_when_used(laid, one.group, windows, dates=dates)
            yield one, with_outstanding(_at_points(moved, shifts, windows, len(points)), dates)


def _times(coarse: FloatArray, points: int) -> FloatArray:
    """Compare what is expected at each point with the centre, shape (points, valves)."""
    centre, *others = coarse.reshape(points + 1, -1)
    ratio = np.divide(others, centre, out=np.ones((points, len(centre))), where=centre > NOTHING)
    return np.asarray(np.clip(ratio, 0.0, MOST_TIMES))


def _moved_to(
    counts: Mapping[Window, FloatArray], before: Mapping[Window, FloatArray], after: Mapping[Window, FloatArray]
) -> dict[Window, FloatArray]:
    """Move the counts of each valve as its expected kits move, shape (points * valves, n); all alike at once."""
    alike: dict[int, list[Window]] = defaultdict(list)
    for window, rows in counts.items():
        alike[rows.shape[1]].append(window)
    moved = {}
    for n, windows in alike.items():
        rows = np.concatenate([counts[window] for window in windows])
        old = np.concatenate([before[window] for window in windows])
        new = np.concatenate([after[window] for window in windows], axis=1)
        times = np.divide(new, old, out=np.ones_like(new), where=old > NOTHING)
        found = tilted(rows, rows @ np.arange(n) * times)
        for window, part in zip(windows, np.split(found, len(windows), axis=1), strict=True):
            moved[window] = part.reshape(-1, part.shape[2])
    return moved


def _at_points(one: TakeUp, shifts: Expectations, windows: Sequence[Window], points: int) -> TakeUp:
    """Lay out the kits of one set of items at every point."""
    kinds = [
        {window: centre[window] * _times(coarse[window], points) for window in windows}
        for centre, coarse in (
            (one.unplanned, shifts.unplanned),
            (one.planned, shifts.planned),
            (one.turnaround, shifts.turnaround),
        )
    ]
    unplanned, planned, turnaround = kinds
    without = {window: one.unplanned[window] + one.planned[window] for window in windows}
    without_after = {window: unplanned[window] + planned[window] for window in windows}
    return replace(
        one,
        valves=one.valves * points,
        probabilities=_moved_to(
            one.probabilities,
            {window: kits + one.turnaround[window] for window, kits in without.items()},
            {window: kits + turnaround[window] for window, kits in without_after.items()},
        ),
        running=_moved_to(one.running, without, without_after),
        unplanned={window: kits.ravel() for window, kits in unplanned.items()},
        planned={window: kits.ravel() for window, kits in planned.items()},
        turnaround={window: kits.ravel() for window, kits in turnaround.items()},
    )


def _over_points(one: TakeUp, valves: tuple[str, ...], weights: FloatArray) -> TakeUp:
    """Mix each valve over the points."""

    def mixed(by_window: Mapping[Window, FloatArray]) -> dict[Window, FloatArray]:
        return {
            window: np.asarray(
                np.tensordot(weights, rows.reshape(len(weights), len(valves), *rows.shape[1:]), axes=(0, 0))
            )
            for window, rows in by_window.items()
        }

    return replace(
        one,
        valves=valves,
        probabilities=mixed(one.probabilities),
        running=mixed(one.running),
        unplanned=mixed(one.unplanned),
        planned=mixed(one.planned),
        turnaround=mixed(one.turnaround),
    )
