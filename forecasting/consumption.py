"""Which kits the renewals of a group of like valves take, valve by valve and window by window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.calendars import CELL, Calendar
from forecasting.clocks import ItemAge
from forecasting.joint_renewals import inner_counts, inner_expected
from forecasting.kit_links import ItemPlan, Link, kit_links
from forecasting.renewals import MOST, Process, outer_counts, outer_expected, renewal_operators
from forecasting.starting_ages import starting_ages

__all__ = ["Group", "ItemPlan", "TakeUp", "Window", "kits_taken"]

Window = tuple[float, float]

CELLS_PER_LIFE = 20.0
"""Cells to the shortest median life at least, down to cells of a day."""


@dataclass(frozen=True, kw_only=True)
class Group:
    """Valves of one design in one service class.

    Parameters
    ----------
    plans : tuple of ItemPlan [plans]
        Their items.
    valves : tuple of str [tags]
        The valves.
    ages : tuple of mappings from item to ItemAge, one per valve [days]
        Where each item stands.
    """

    plans: tuple[ItemPlan, ...]
    valves: tuple[str, ...]
    ages: tuple[dict[str, ItemAge], ...]


@dataclass(frozen=True, kw_only=True)
class TakeUp:
    """How many of one kit the valves of a group take.

    Parameters
    ----------
    kit : str [code]
        The kit.
    qty : int [kits]
        Taken at each renewal.
    items : tuple of str [codes]
        The items whose renewal takes it.
    valves : tuple of str [tags]
        The rows below.
    probabilities : dict from window to float array, shape (valves, n) [1]
        P(0), P(1), ... renewals in the window.
    unplanned, planned : dict from window to float array, shape (valves,) [kits]
        Expected kits, by failure and as planned.
    note : str [text]
        What is left out of account; empty: nothing.
    """

    kit: str
    qty: int
    items: tuple[str, ...]
    valves: tuple[str, ...]
    probabilities: dict[Window, FloatArray]
    unplanned: dict[Window, FloatArray]
    planned: dict[Window, FloatArray]
    note: str


def _take_up(group: Group, link: Link, links: Sequence[Link], windows: Sequence[Window]) -> TakeUp:
    """Count the renewals of one link in every window, valve by valve."""
    outer_link = link.outer
    calendar = _calendar([one.process for one in (link, outer_link) if one is not None], windows)
    top = outer_link or link
    below = [one for one in links if one.outer is not None and one.outer.plans == top.plans]
    rows = starting_ages(link, group.ages, below=below)
    own = renewal_operators(link.process, calendar, rows.inner)
    above = None if outer_link is None else renewal_operators(outer_link.process, calendar, rows.outer)
    expected = outer_expected(own) if above is None else inner_expected(above, own)
    counts = {
        window: outer_counts(own, calendar, index) if above is None else inner_counts(above, own, calendar, index)
        for index, window in enumerate(windows)
    }
    qty = max(plan.qty for plan in link.plans)
    many = (
        f"more than {MOST - 1} renewals in a window count as so many"
        if max(count.shape[1] for count in counts.values()) == MOST
        else ""
    )
    return TakeUp(
        kit=link.plans[0].kit,
        qty=qty,
        items=tuple(plan.item for plan in link.plans),
        valves=group.valves,
        probabilities={window: rows.share @ count for window, count in counts.items()},
        unplanned=_summed(calendar, windows, qty * (rows.share @ expected.unplanned)),
        planned=_summed(calendar, windows, qty * (rows.share @ expected.planned)),
        note="; ".join(filter(None, [link.note, many])),
    )


def _calendar(processes: Sequence[Process], windows: Sequence[Window]) -> Calendar:
    """Cut the time ahead, finer where lives are short."""
    typical = min(lifetime.quantile(0.5) for process in processes for lifetime in process.lifetimes)
    intervals = [process.interval for process in processes if np.isfinite(process.interval)]
    return Calendar.of(windows, intervals=intervals, cell=min(CELL, max(typical / CELLS_PER_LIFE, 1.0)))


def _summed(calendar: Calendar, windows: Sequence[Window], by_cell: FloatArray) -> dict[Window, FloatArray]:
    """Sum expectations over the cells of each window, by valve."""
    return {window: by_cell[:, slice(*calendar.span(index))].sum(axis=1) for index, window in enumerate(windows)}


def kits_taken(group: Group, windows: Sequence[Window]) -> tuple[TakeUp, ...]:
    """Distribution of the kits each valve of a group takes in each window.

    Items linked by kits are renewed jointly: the trim's kit renews the packing too, and takes no packing kit.

    Parameters
    ----------
    group : Group [days]
        Like valves and where their items stand.
    windows : sequence of (start, end] [days from now]
        Any windows, overlapping or not.

    Returns
    -------
    tuple of TakeUp [kits]
        One per kit and set of items renewed together. A third level of linked items is left out of account, and said.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=2, renews=frozenset({"seat"}))
    >>> age = ItemAge(
    ...     valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ... )
    >>> taken = kits_taken(Group(plans=(plan,), valves=("V",), ages=({"seat": age},)), [(0.0, 50.0)])[0]
    >>> round(float(taken.unplanned[0.0, 50.0][0]), 4)
    0.1
    """
    links = kit_links(group.plans)
    return tuple(_take_up(group, link, links, windows) for link in links)
