"""From what was accepted to what of it is still to be ordered or on order, and to the reorder points in use."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from msgspec import structs

from service.schemas.records import OrderRecord, StockSettingRecord

Key = tuple[str, str]
"""Storeroom and kit."""
OrderKey = tuple[str, str]
"""Ref and line of an order."""


@dataclass(frozen=True, kw_only=True)
class Accepted:
    """What was taken of one proposal.

    Parameters
    ----------
    storeroom, kit : str
        Codes.
    as_of : date
        Data cut-off of the run that proposed it.
    quantity, reorder_point : int or None [kits]
        Taken; None was not decided.
    stated_reorder_point : int or None [kits]
        What the record stated then.
    known_orders : tuple of (ref, line)
        Orders of this kit and storeroom in the record by then: none of them is the one to come.
    turnaround : str or None
        What it is for; None: the running need.
    """

    storeroom: str
    kit: str
    as_of: date
    quantity: int | None = None
    reorder_point: int | None = None
    stated_reorder_point: int | None = None
    known_orders: tuple[tuple[str, str], ...] = ()
    turnaround: str | None = None


@dataclass(frozen=True, kw_only=True)
class AcceptedKits:
    """What was accepted of a kit in a storeroom for one purpose.

    Parameters
    ----------
    open : int [kits]
        On no order yet.
    ordered : tuple of (ref, line) and int [kits]
        How much of which order is for it.
    """

    open: int = 0
    ordered: tuple[tuple[OrderKey, int], ...] = ()


Purposes = Mapping[str | None, AcceptedKits]
"""By turnaround; None: the running need."""


def accepted_kits(
    accepted: Iterable[Accepted], orders: Sequence[OrderRecord], counts_as: Mapping[str, str], *, as_of: date
) -> dict[Key, Purposes]:
    """Match what was accepted with the orders that came after it, each kit of an order once.

    An order not known when a proposal was taken, and placed on its cut-off or later, is for what was accepted first,
    whatever for. A quantity of 0 takes back all that is still to be ordered for the same purpose: what was accepted
    before it has no orders but those known by then.

    Parameters
    ----------
    accepted : iterable of Accepted
        In the order in which they were taken.
    orders : sequence of OrderRecord
        All of the record.
    counts_as : mapping from code to code
        Old kits that count as their successor.
    as_of : date
        What was ordered later isn't read.

    Returns
    -------
    dict from (storeroom, kit) to mapping from turnaround or None to AcceptedKits
        Wherever a quantity was decided.
    """
    placed: dict[Key, list[OrderRecord]] = defaultdict(list)
    for order in orders:
        if order.ordered_on is None or order.ordered_on <= as_of:
            placed[order.storeroom, counts_as.get(order.kit, order.kit)].append(order)
    taken: dict[Key, list[Accepted]] = defaultdict(list)
    for one in accepted:
        if one.quantity is not None:
            taken[one.storeroom, counts_as.get(one.kit, one.kit)].append(one)
    return {key: _matched(rows, placed[key]) for key, rows in taken.items()}


def not_yet_ordered(kits: Mapping[Key, Purposes]) -> dict[Key, int]:
    """Count what was accepted for the running need and is on no order yet.

    Parameters
    ----------
    kits : mapping from (storeroom, kit) to Purposes
        From `accepted_kits`.

    Returns
    -------
    dict from (storeroom, kit) to int [kits]
        Only where something is still to be ordered.
    """
    return {key: purposes[None].open for key, purposes in kits.items() if None in purposes and purposes[None].open}


def _matched(taken: Sequence[Accepted], placed: Sequence[OrderRecord]) -> dict[str | None, AcceptedKits]:
    """Give each acceptance its orders, the first acceptance first."""
    zeros = {one.turnaround: number for number, one in enumerate(taken) if one.quantity == 0}
    free = {(order.ref, order.line): order.qty for order in placed}
    days = {(order.ref, order.line): order.ordered_on for order in placed}
    found: dict[str | None, AcceptedKits] = {}
    for number, one in enumerate(taken):
        last_zero = zeros.get(one.turnaround, -1)
        wanted, before, used = one.quantity or 0, found.get(one.turnaround, AcceptedKits()), []
        for key in free:
            day = days[key]
            too_late = number < last_zero and key not in taken[last_zero].known_orders
            if key not in one.known_orders and not too_late and (day is None or day >= one.as_of):
                qty = min(wanted, free[key])
                wanted, free[key] = wanted - qty, free[key] - qty
                used += [(key, qty)] if qty else []
        left = wanted if number > last_zero else 0
        found[one.turnaround] = AcceptedKits(open=before.open + left, ordered=(*before.ordered, *used))
    return found


def with_accepted_levels(
    settings: Iterable[StockSettingRecord], accepted: Iterable[Accepted]
) -> list[StockSettingRecord]:
    """Put accepted reorder points in place of those the record stated when they were taken.

    Parameters
    ----------
    settings : iterable of StockSettingRecord
        Of the record.
    accepted : iterable of Accepted
        In the order in which they were taken.

    Returns
    -------
    list of StockSettingRecord
        Where the record has been changed since, as it states.
    """
    latest = {(one.storeroom, one.kit): one for one in accepted if one.reorder_point is not None}
    rows = {(row.storeroom, row.kit): row for row in settings}
    for key, one in latest.items():
        row = rows.get(key, StockSettingRecord(storeroom=one.storeroom, kit=one.kit))
        if row.present_reorder_point == one.stated_reorder_point:
            rows[key] = structs.replace(row, present_reorder_point=one.reorder_point)
    return list(rows.values())
