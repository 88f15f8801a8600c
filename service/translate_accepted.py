"""From what was accepted to what of it is still to be ordered, and to the reorder points in use."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from msgspec import structs

from service.schemas.records import OrderRecord, StockSettingRecord

Key = tuple[str, str]
"""Storeroom and kit."""


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
    """

    storeroom: str
    kit: str
    as_of: date
    quantity: int | None = None
    reorder_point: int | None = None
    stated_reorder_point: int | None = None
    known_orders: tuple[tuple[str, str], ...] = ()


def not_yet_ordered(
    accepted: Iterable[Accepted], orders: Sequence[OrderRecord], counts_as: Mapping[str, str], *, as_of: date
) -> dict[Key, int]:
    """Count what was accepted and is on no order yet.

    An order not known when a proposal was taken, and placed on its cut-off or later, is for what was accepted first. A
    quantity of 0 takes back all that is still to be ordered.

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
    dict from (storeroom, kit) to int [kits]
        Only where something is still to be ordered.
    """
    placed: dict[Key, list[OrderRecord]] = defaultdict(list)
    for order in orders:
        if order.ordered_on is None or order.ordered_on <= as_of:
            placed[order.storeroom, counts_as.get(order.kit, order.kit)].append(order)
    taken: dict[Key, list[Accepted]] = defaultdict(list)
    for one in accepted:
        if one.quantity is not None:
            taken[one.storeroom, counts_as.get(one.kit, one.kit)].append(one)
    left = {key: _left(rows, placed[key]) for key, rows in taken.items()}
    return {key: qty for key, qty in left.items() if qty}


def _left(taken: Sequence[Accepted], placed: Sequence[OrderRecord]) -> int:
    """Match orders with what was accepted, each order once, the first acceptance first."""
    last_zero = max((number for number, one in enumerate(taken) if one.quantity == 0), default=-1)
    free = {(order.ref, order.line): order.qty for order in placed}
    days = {(order.ref, order.line): order.ordered_on for order in placed}
    open_ = 0
    for number, one in enumerate(taken):
        wanted = one.quantity or 0
        for key in free:
            day = days[key]
            if key not in one.known_orders and (day is None or day >= one.as_of):
                used = min(wanted, free[key])
                wanted, free[key] = wanted - used, free[key] - used
        open_ += wanted if number > last_zero else 0
    return open_


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
