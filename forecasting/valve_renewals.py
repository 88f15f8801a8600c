"""Renewals of linked items valve by valve: from where each valve stands to how often in each window, and why."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.calendars import CELL, Calendar
from forecasting.clocks import ItemAge
from forecasting.joint_renewals import either_counts, inner_counts, inner_expected
from forecasting.kit_links import Link
from forecasting.processes import Process
from forecasting.renewals import Operators, outer_counts, outer_expected, renewal_operators
from forecasting.starting_ages import StartingAges, starting_ages

__all__ = ["Ahead", "Renewals", "renewals", "renewals_of_either", "together"]

Window = tuple[float, float]

CELLS_PER_LIFE = 20.0
"""Cells to the shortest median life at least, down to cells of a day."""


@lru_cache(maxsize=16)
def _calendar(
    windows: tuple[Window, ...],
    running: tuple[Window, ...],
    intervals: tuple[float, ...],
    opportunities: tuple[float, ...],
    turnarounds: tuple[float, ...],
    cell: float,
) -> Calendar:
    """Cut time once for all lifetimes that are looked at in turn."""
    return Calendar.of(
        windows,
        running=running,
        intervals=intervals,
        opportunities=opportunities,
        turnarounds=turnarounds,
        cell=cell,
    )


@dataclass(frozen=True, kw_only=True)
class Ahead:
    """The time ahead of like valves.

    Parameters
    ----------
    windows : tuple of (start, end] [days from now]
        In which everything counts.
    running : tuple of (start, end] [days from now]
        In which turnarounds count for nothing.
    turnarounds : tuple of float [days from now]
        Their first days.
    longest_cell : float [days]
        Into cells of at most how many days the time is cut.
    """

    windows: tuple[Window, ...]
    running: tuple[Window, ...]
    turnarounds: tuple[float, ...]
    longest_cell: float = CELL

    def calendar(self, processes: Sequence[Process]) -> Calendar:
        """Cut the time ahead, finer where lives are short."""
        typical = min(lifetime.quantile(0.5) for process in processes for lifetime in process.lifetimes)
        return _calendar(
            self.windows,
            self.running,
            tuple(process.interval for process in processes if np.isfinite(process.interval)),
            tuple(process.opportunity for process in processes if np.isfinite(process.opportunity)),
            self.turnarounds,
            cell=self.longest_cell * min(1.0, max(typical / CELLS_PER_LIFE, 1.0) / CELL),
        )


@dataclass(frozen=True, kw_only=True)
class Renewals:
    """How often something is renewed on each valve.

    Parameters
    ----------
    count : function from the number of a window to a float array, shape (valves, n) [1]
        P(0), P(1), ... in it; those of windows come first, then running ones.
    unplanned, planned, turnaround : float array, shape (valves, windows) [renewals]
        Expected in each window: by failure, as planned, and as planned on the first day of a turnaround.
    """

    count: Callable[[int], FloatArray]
    unplanned: FloatArray
    planned: FloatArray
    turnaround: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Linked:
    """A link and what it is under, ready to count."""

    calendar: Calendar
    rows: StartingAges
    own: Operators
    above: Operators | None


def _linked(link: Link, below: Sequence[Link], ages: Sequence[dict[str, ItemAge]], ahead: Ahead) -> _Linked:
    """Prepare a link for counting; `below` is all that is under it, or under what it is under."""
    process = link.process_at(ahead.turnarounds)
    outer = None if link.outer is None else link.outer.process_at(ahead.turnarounds)
    calendar = ahead.calendar([one for one in (process, outer) if one is not None])
    rows = starting_ages(link, ages, below=below)
    return _Linked(
        calendar=calendar,
        rows=rows,
        own=renewal_operators(process, calendar, rows.inner),
        above=None if outer is None else renewal_operators(outer, calendar, rows.outer),
    )


def _by_valve(linked: _Linked, count: Callable[[int], FloatArray], by_cell: tuple[FloatArray, FloatArray]) -> Renewals:
    """Lay out counts by valve, and sum expectations over the cells of each window."""
    calendar, share = linked.calendar, linked.rows.share
    inside, stops = calendar.inside, calendar.turnaround[:, None]
    unplanned, planned = by_cell
    return Renewals(
        count=cache(lambda window: np.asarray(share @ count(window))),
        unplanned=np.asarray(share @ (unplanned @ inside)),
        planned=np.asarray(share @ (planned @ np.where(stops, 0.0, inside))),
        turnaround=np.asarray(share @ (planned @ np.where(stops, inside, 0.0))),
    )


def renewals(link: Link, below: Sequence[Link], ages: Sequence[dict[str, ItemAge]], ahead: Ahead) -> Renewals:
    """Count renewals of a link's items, leaving out those that the link it is under brings.

    Parameters
    ----------
    link : Link [days]
        The items and what they are under.
    below : sequence of Link [days]
        All that is under it, or under what it is under.
    ages : sequence of dict from item to ItemAge, one per valve [days]
        Where each item stands.
    ahead : Ahead [days]
        Windows and turnarounds.

    Returns
    -------
    Renewals [1]
        By valve and window.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.kit_links import ItemPlan
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1e9, shape=1.0)
    >>> plan = ItemPlan(
    ...     item="seat", lifetime=seat, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}), opportunity=100.0
    ... )
    >>> old = ItemAge(
    ...     valve="V", item="seat", service_class="", age=90, survived=90, in_place=90, awaits_renewal=False
    ... )
    >>> ahead = Ahead(windows=((0.0, 30.0),), running=(), turnarounds=(8.0, 12.0))
    >>> renewals(Link(plans=(plan,), outer=None, note=""), [], [{"seat": old}], ahead).turnaround.round(6)
    array([[1.]])
    """
    linked = _linked(link, below, ages, ahead)
    own, above, calendar = linked.own, linked.above, linked.calendar
    if above is None:
        expected = outer_expected(own)
        return _by_valve(
            linked, lambda window: outer_counts(own, calendar, window), (expected.unplanned, expected.planned)
        )
    expected = inner_expected(above, own, calendar)
    return _by_valve(
        linked, lambda window: inner_counts(above, own, calendar, window), (expected.unplanned, expected.planned)
    )


def renewals_of_either(link: Link, below: Sequence[Link], ages: Sequence[dict[str, ItemAge]], ahead: Ahead) -> Renewals:
    """Count renewals of a link's items or of those it is under, both at once counted once.

    Parameters
    ----------
    link : Link [days]
        The items and what they are under, if anything.
    below : sequence of Link [days]
        All that is under what it is under.
    ages : sequence of dict from item to ItemAge, one per valve [days]
        Where each item stands.
    ahead : Ahead [days]
        Windows and turnarounds.

    Returns
    -------
    Renewals [1]
        By valve and window.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.kit_links import ItemPlan
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))
    >>> old = ItemAge(valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False)
    >>> ahead = Ahead(windows=((0.0, 50.0),), running=(), turnarounds=())
    >>> renewals_of_either(Link(plans=(plan,), outer=None, note=""), [], [{"seat": old}], ahead).unplanned.round(4)
    array([[0.05]])
    """
    if link.outer is None:
        return renewals(link, below, ages, ahead)
    linked = _linked(link, below, ages, ahead)
    own, calendar = linked.own, linked.calendar
    above = linked.above or own
    first, second = outer_expected(above), inner_expected(above, own, calendar)
    return _by_valve(
        linked,
        lambda window: either_counts(above, own, calendar, window),
        (first.unplanned + second.unplanned, first.planned + second.planned),
    )


def _convolved(first: FloatArray, second: FloatArray) -> FloatArray:
    """Distribution of the sum of two independent counts, row by row."""
    whole = np.zeros((len(first), first.shape[1] + second.shape[1] - 1))
    for n, chance in enumerate(second.T):
        whole[:, n : n + first.shape[1]] += chance[:, None] * first
    return whole


def together(first: Renewals, second: Renewals) -> Renewals:
    """Add what is renewed independently of each other.

    Parameters
    ----------
    first, second : Renewals [1]
        Of the same valves and windows.

    Returns
    -------
    Renewals [1]
        Of both.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> half = np.full((1, 1), 0.5)
    >>> coin = Renewals(
    ...     count=lambda _: np.array([[0.5, 0.5]]), unplanned=half, planned=0 * half, turnaround=0 * half
    ... )
    >>> together(coin, coin).count(0)
    array([[0.25, 0.5 , 0.25]])
    """
    return Renewals(
        count=cache(lambda window: _convolved(first.count(window), second.count(window))),
        unplanned=first.unplanned + second.unplanned,
        planned=first.planned + second.planned,
        turnaround=first.turnaround + second.turnaround,
    )
