"""Which kits the renewals of a group of like valves take, valve by valve and window by window."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from forecasting.ages import unknown_age
from forecasting.arrays import FloatArray
from forecasting.calendars import CELL, Calendar
from forecasting.clocks import ItemAge
from forecasting.joint_renewals import inner_counts, inner_expected
from forecasting.lifetimes import Lifetime
from forecasting.renewals import MOST, Process, outer_counts, outer_expected, renewal_operators

__all__ = ["Group", "ItemPlan", "TakeUp", "Window", "kits_taken"]

Window = tuple[float, float]

AGES = 120
"""Ages that stand for one unknown start."""
OUTER_AGES, INNER_AGES = 40, 12
"""The same where two linked items are unknown: of the outer one, and of the inner one for each of them."""
CELLS_PER_LIFE = 20.0
"""Cells to the shortest median life at least, down to cells of a day."""


@dataclass(frozen=True, kw_only=True)
class ItemPlan:
    """One maintainable item of a group: how long it lasts, when it is renewed as planned, what its renewal takes.

    Parameters
    ----------
    item : str [code]
        The item.
    lifetime : Lifetime [days]
        How long it lasts in this service class.
    interval : float [days]
        Of a predetermined policy; infinite: none.
    kit : str [code]
        The kit a renewal takes.
    qty : int [kits]
        How many of it.
    renews : frozenset of str [codes]
        Items that this kit renews, this one among them.
    """

    item: str
    lifetime: Lifetime
    interval: float
    kit: str
    qty: int
    renews: frozenset[str]


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


@dataclass(frozen=True, kw_only=True)
class _Link:
    """Items always renewed together, under an outer link that renews them too (None: nothing does)."""

    plans: tuple[ItemPlan, ...]
    outer: "_Link | None"
    note: str

    @property
    def process(self) -> Process:
        """Their renewal process."""
        return Process(
            lifetimes=tuple(plan.lifetime for plan in self.plans), interval=min(plan.interval for plan in self.plans)
        )


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """Starting ages, each once: of the link's items and of those above it, shape (rows, items).

    `share` holds what each valve has in each row; a valve whose ages are known has one.
    """

    share: csr_array
    inner: FloatArray
    outer: FloatArray


def _covers(first: Sequence[ItemPlan], second: Sequence[ItemPlan]) -> bool:
    """Whether a renewal of the first items renews the second ones too."""
    return any(plan.renews & {other.item for other in second} for plan in first)


def _links(plans: tuple[ItemPlan, ...]) -> list[_Link]:
    """Join items that renew each other, then put each under the one that renews it too."""
    together: list[list[ItemPlan]] = []
    for plan in plans:
        joined = [group for group in together if _covers(group, [plan]) and _covers([plan], group)]
        together = [group for group in together if group not in joined] + [[plan, *(p for g in joined for p in g)]]
    over = [[other for other in together if other is not group and _covers(other, group)] for group in together]
    free = {id(group) for group, outers in zip(together, over, strict=True) if not outers}
    links = []
    for group, outers in zip(together, over, strict=True):
        kits = {plan.kit for plan in group}
        notes = [f"{' and '.join(sorted(kits))} renew the same items: counted as one"] if len(kits) > 1 else []
        candidates = sorted(
            (outer for outer in outers if id(outer) in free),
            key=lambda outer: min(plan.lifetime.quantile(0.5) for plan in outer),
        )
        ignored = sorted(plan.item for outer in outers if outer not in candidates[:1] for plan in outer)
        notes += [f"renewal together with {', '.join(ignored)} is left out of account"] if ignored else []
        outer = _Link(plans=tuple(candidates[0]), outer=None, note="") if candidates else None
        links.append(_Link(plans=tuple(group), outer=outer, note="; ".join(notes)))
    return links


def _known(ages: dict[str, ItemAge], plans: tuple[ItemPlan, ...]) -> tuple[float, ...] | None:
    """Age of each item, infinite where it awaits renewal; None if one is unknown."""
    stands = [ages[plan.item] for plan in plans]
    if any(one.awaits_renewal for one in stands):
        return (np.inf,) * len(stands)
    if any(one.age is None for one in stands):
        return None
    return tuple(float(one.age or 0) for one in stands)


def _mixed(
    link: _Link, ages: dict[str, ItemAge], *, in_place: float | None, parts: int
) -> Iterator[tuple[float, tuple[float, ...]]]:
    """Weighted ages of one link: one row where they are known."""
    known = _known(ages, link.plans)
    if known is not None:
        yield 1.0, known
        return
    first = ages[link.plans[0].item]
    survived = float(first.survived) if in_place is None else min(float(first.survived), in_place)
    mix = unknown_age(link.process, in_place=in_place, survived=survived, parts=parts)
    for weight, age in zip(mix.weights, mix.ages, strict=True):
        yield float(weight), (float(age),) * len(link.plans)


def _starts(
    link: _Link, ages: dict[str, ItemAge]
) -> Iterator[tuple[float, tuple[tuple[float, ...], tuple[float, ...]]]]:
    """Weighted ages of a link and of what it is under; the inner one was fresh when the outer one last was."""
    place = ages[link.plans[0].item].in_place
    since_installed = None if place is None else float(place)
    if link.outer is None:
        for weight, own in _mixed(link, ages, in_place=since_installed, parts=AGES):
            yield weight, (own, ())
        return
    for outer_weight, above in _mixed(link.outer, ages, in_place=since_installed, parts=OUTER_AGES):
        fresh_since = max(above) if np.isfinite(max(above)) else since_installed
        for weight, own in _mixed(link, ages, in_place=fresh_since, parts=INNER_AGES):
            yield outer_weight * weight, (own, above)


def _rows(group: Group, link: _Link) -> _Rows:
    """Lay out the starting ages of a group's valves."""
    number: dict[tuple[tuple[float, ...], tuple[float, ...]], int] = {}
    valves, rows, weights = [], [], []
    for valve, ages in enumerate(group.ages):
        for weight, start in _starts(link, ages):
            valves.append(valve)
            rows.append(number.setdefault(start, len(number)))
            weights.append(weight)
    above = () if link.outer is None else link.outer.plans
    return _Rows(
        share=csr_array((weights, (valves, rows)), shape=(len(group.valves), len(number))),
        inner=np.array([inner for inner, _ in number]).reshape(len(number), len(link.plans)),
        outer=np.array([outer for _, outer in number]).reshape(len(number), len(above)),
    )


def _take_up(group: Group, link: _Link, windows: Sequence[Window]) -> TakeUp:
    """Count the renewals of one link in every window, valve by valve."""
    outer_link = link.outer
    calendar = _calendar([one.process for one in (link, outer_link) if one is not None], windows)
    rows = _rows(group, link)
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
    return tuple(_take_up(group, link, windows) for link in _links(group.plans))
