"""From stock questions to what is there for each turnaround: the earlier takes first, the later has what is left."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import msgspec

from forecasting.dated_stock import Supply, left_after, there_on
from forecasting.stocking import StockQuestion
from service.schemas.turnarounds import PlannedKits, TurnaroundPlan

Key = tuple[str, str]
"""Storeroom and kit."""


@dataclass(frozen=True, kw_only=True)
class Taking:
    """Kits of a storeroom's free stock that an earlier turnaround takes; `left` of its own come back to it."""

    turnaround: str
    needed_on: date
    qty: int
    left: int = 0


Takings = Mapping[Key, Sequence[Taking]]
NOTHING_TAKEN: Takings = {}


def takings_of(plans: Iterable[TurnaroundPlan | PlannedKits]) -> Takings:
    """Collect what turnarounds take of what is there.

    Parameters
    ----------
    plans : iterable of TurnaroundPlan or PlannedKits
        In the order of their dates.

    Returns
    -------
    mapping from (storeroom, kit) to sequence of Taking
        In the same order; plans of an earlier version take nothing, as they were made.
    """
    found: dict[Key, list[Taking]] = defaultdict(list)
    for plan in plans:
        for kit in plan.kits:
            taken, left = (
                msgspec.convert(kit.details.get(name, {}), dict[str, int]) for name in ("taken", "left_over")
            )
            for room in sorted(taken.keys() | left.keys()):
                one = Taking(
                    turnaround=plan.code, needed_on=kit.needed_on, qty=taken.get(room, 0), left=left.get(room, 0)
                )
                found[room, kit.kit].append(one)
    return dict(found)


def by_turnaround(before: Sequence[Taking]) -> dict[str, int]:
    """Add up what is taken by turnaround.

    Parameters
    ----------
    before : sequence of Taking
        Of a kit.

    Returns
    -------
    dict from turnaround to int [kits]
        Only those that take some.
    """
    qty: dict[str, int] = defaultdict(int)
    for one in before:
        qty[one.turnaround] += one.qty
    return {code: kits for code, kits in qty.items() if kits}


def free_on(question: StockQuestion, takings: Sequence[Taking], *, day: date, as_of: date, kept: int) -> int:
    """Count the kits there on a day beyond what the running need keeps, promises and earlier turnarounds take.

    Parameters
    ----------
    question : StockQuestion
        Of a kit in a storeroom.
    takings : sequence of Taking
        Of the same, the earlier first.
    day : date
        Of the turnaround.
    as_of : date
        Data cut-off.
    kept : int [kits]
        The reorder point.

    Returns
    -------
    int [kits]
        Usable on the day, or on an order due by then; what was taken expired first.
    """
    supplies = _supplies(question)
    for taking in takings:
        then = float((taking.needed_on - as_of).days)
        supplies = (*left_after(supplies, qty=taking.qty, day=then), Supply(qty=taking.left, arrives=then))
    there = there_on(supplies, day=float((day - as_of).days))
    return max(there - question.reserved - max(kept, 0), 0)


def _supplies(question: StockQuestion) -> tuple[Supply, ...]:
    """Take stock, lots and orders as dated supplies; what was accepted counts as there."""
    loose = question.on_hand - sum(lot.qty for lot in question.lots) + question.accepted
    return (
        *(Supply(qty=lot.qty, expires=lot.expires) for lot in question.lots),
        Supply(qty=loose),
        *(Supply(qty=order.qty, arrives=order.due) for order in question.orders),
    )


def left_over(own: Mapping[str, int], *, wanted: int) -> dict[str, int]:
    """Say which storerooms keep what of a turnaround's own kits it doesn't use.

    Parameters
    ----------
    own : mapping from storeroom to int [kits]
        Accepted for it, on order in time, or received.
    wanted : int [kits]
        What it wants.

    Returns
    -------
    dict from storeroom to int [kits]
        Only those that keep some.
    """
    left, rest = {}, wanted
    for room in sorted(own):
        used = min(rest, own[room])
        rest -= used
        if own[room] > used:
            left[room] = own[room] - used
    return left


def taken_from(free: Mapping[str, int], *, wanted: int, spared: frozenset[str]) -> dict[str, int]:
    """Say which storerooms what is wanted comes from.

    Parameters
    ----------
    free : mapping from storeroom to int [kits]
        There for this turnaround.
    wanted : int [kits]
        No more is taken than there is.
    spared : frozenset of str [codes]
        Storerooms that serve a later turnaround, too: they give last.

    Returns
    -------
    dict from storeroom to int [kits]
        Only those that give some.
    """
    taken: dict[str, int] = {}
    for room in sorted(free, key=lambda room: (room in spared, room)):
        qty = min(wanted - sum(taken.values()), free[room])
        if qty > 0:
            taken[room] = qty
    return taken
