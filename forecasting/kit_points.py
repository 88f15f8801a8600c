"""Kits at each point of what is known of lifetimes: groups and points in, kits by point and valve out.

Renewals are counted at the centre; at every point they are only expected, in coarse cells, and each valve's counts are
moved to what is expected there.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.alike_valves import alike_valves
from forecasting.arrays import FloatArray
from forecasting.consumption import Expectations, Group, TakeUp, Window, kits_expected, kits_taken
from forecasting.kit_dates import KitDates, expected_when_used, kits_moved, windows_to_count, with_outstanding
from forecasting.kits_consumed import ClassOutcomes, Key, kit_consumed
from forecasting.lifetimes import Lifetime
from forecasting.tilting import tilted

__all__ = ["KitPoints", "expected_over_points", "kits_at_points"]

NOTHING = 1e-12
"""Kits expected that count as none."""
MOST_TIMES = 1e4


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

    def consumed(self, outcomes: ClassOutcomes, weights: FloatArray) -> list["KitPoints"]:
        """Kits that the same renewals take where that isn't always what the design states, one by one."""
        at = [kit_consumed(self.at, outcomes, kit=kit) for kit in outcomes.kits]
        return [KitPoints(at=one, over=_over_points(one, self.over.valves, weights)) for one in at]


def kits_at_points(
    group: Group,
    points: Sequence[Mapping[str, Lifetime]],
    windows: Sequence[Window],
    *,
    weights: FloatArray,
    running: Mapping[str, Sequence[Window]],
    dates: KitDates,
) -> tuple[KitPoints, ...]:
    """Distribution of the kits each valve of a group uses in each window, at each point.

    Parameters
    ----------
    group : Group [days]
        Like valves, with lifetimes at the centre.
    points : sequence of mappings from item to Lifetime [days]
        Lifetimes of its items at each point.
    windows : sequence of (start, end] [days from now]
        For which kits are wanted.
    weights : float array, shape (points,) [1]
        How likely each point is.
    running : mapping from kit to sequence of (start, end] [days from now]
        For which each is wanted without those of turnarounds, too.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    tuple of KitPoints [kits]
        In the order of `kits_taken`.

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
    >>> made = kits_at_points(
    ...     Group(plans=(plan,), valves=("V",), ages=({"seat": age},)), [{"seat": seat} for seat in seats[1:]],
    ...     [(0.0, 50.0)], weights=np.full(2, 0.5), running={}, dates=kit_dates([], {}, designs={}, as_of=9),
    ... )
    >>> made[0].at.unplanned[0.0, 50.0].round(4), made[0].over.unplanned[0.0, 50.0].round(4)
    (array([0.1  , 0.025]), array([0.0625]))
    """
    told_apart = {plan.kit: sorted({*windows, *running.get(plan.kit, ())}) for plan in group.plans}
    alike = alike_valves(group, apart=dates.waiting)
    return tuple(
        KitPoints(
            at=alike.of_all(at, points=len(weights)),
            over=alike.of_all(_over_points(at, alike.group.valves, weights), points=1),
        )
        for at in _by_kit(alike.group, points, told_apart, told_apart, running=running, dates=dates)
    )


def expected_over_points(
    group: Group,
    points: Sequence[Mapping[str, Lifetime]],
    windows: Sequence[Window],
    *,
    weights: FloatArray,
    dates: KitDates,
    outcomes: Mapping[Key, ClassOutcomes],
) -> tuple[TakeUp, ...]:
    """Expect the kits each valve of a group uses in each window, over all points.

    Parameters
    ----------
    group : Group [days]
        Like valves, with lifetimes at the centre.
    points : sequence of mappings from item to Lifetime [days]
        Lifetimes of its items at each point.
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
    tuple of TakeUp [kits]
        As `over` of `kits_at_points`, without P(0), P(1), ...

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> from forecasting.kit_dates import kit_dates
    >>> dates = kit_dates([], {}, designs={}, as_of=9)
    >>> expected_over_points(
    ...     Group(plans=(), valves=(), ages=()), [], [], weights=np.ones(0), dates=dates, outcomes={}
    ... )
    ()
    """
    wanted = {plan.kit: sorted(set(windows)) for plan in group.plans}
    taken: list[TakeUp] = []
    alike = alike_valves(group, apart=dates.waiting)
    for at in _by_kit(alike.group, points, wanted, {}, running={}, dates=dates):
        known = outcomes.get((group.service_class, group.design, frozenset(at.items)))
        taken += [at] if known is None else [kit_consumed(at, known, kit=kit) for kit in known.kits]
    return tuple(alike.of_all(_over_points(at, alike.group.valves, weights), points=1) for at in taken)


def _by_kit(
    group: Group,
    points: Sequence[Mapping[str, Lifetime]],
    wanted: Mapping[str, Sequence[Window]],
    told_apart: Mapping[str, Sequence[Window]],
    *,
    running: Mapping[str, Sequence[Window]],
    dates: KitDates,
) -> Iterator[TakeUp]:
    """Lay out the kits of a group at every point, each in the windows in which it is wanted."""
    if not wanted:
        return
    every = sorted({window for windows in wanted.values() for window in windows})
    counted = windows_to_count(group, every, dates=dates)
    on_the_run = sorted({window for windows in running.values() for window in windows})
    centre = {plan.item: plan.lifetime for plan in group.plans}
    expected = kits_expected(group, [centre, *points], counted)
    taken = kits_taken(group, counted, running=on_the_run, told_apart=told_apart)
    for one, means in zip(taken, expected, strict=True):
        windows, apart = wanted[one.kit], list(running.get(one.kit, ()))
        moved = kits_moved(_of_kit(one, apart), group, windows, running=apart, dates=dates)
        shifts = expected_when_used(means, group, windows, dates=dates)
        yield with_outstanding(_at_points(moved, shifts, windows, len(points)), dates)


def _of_kit(one: TakeUp, running: Sequence[Window]) -> TakeUp:
    """Leave out windows that only other kits are wanted for on the run."""
    return replace(one, running={window: one.running[window] for window in running})


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
