"""From what is stated of lead times and what orders took to the times a decision has to cover."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from forecasting.lead_times import LONGEST
from forecasting.received_orders import OrderTaken, lead_time_seen
from service.schemas.records import KitRecord, OrderRecord

MOST_ORDERS = 20
"""The latest of a kit; older ones tell of another market."""


@dataclass(frozen=True, kw_only=True)
class Times:
    """Lead time, its spread and the review period, within what can be computed; how many orders they rest on."""

    lead: float
    spread: float
    review: float
    seen: int
    warnings: tuple[str, ...]


def orders_taken(
    orders: Iterable[OrderRecord], counts_as: Mapping[str, str], *, as_of: date
) -> dict[str, tuple[OrderTaken, ...]]:
    """Say how long the orders of each kit took, or take already.

    Parameters
    ----------
    orders : iterable of OrderRecord
        Without the day it was ordered on an order tells nothing.
    counts_as : mapping from kit to kit
        Superseded kits, whose orders tell of their successor.
    as_of : date
        What was received after it is open.

    Returns
    -------
    dict from kit to tuple of OrderTaken
        The latest ones.
    """
    taken: dict[str, list[tuple[date, OrderTaken]]] = defaultdict(list)
    for order in orders:
        if order.ordered_on is None or order.ordered_on > as_of:
            continue
        received = order.received_on is not None and order.received_on <= as_of
        if not received and order.received_qty:
            continue
        last = order.received_on if received and order.received_on is not None else as_of
        days = float((last - order.ordered_on).days)
        if days >= 0.0:
            taken[counts_as.get(order.kit, order.kit)].append((last, OrderTaken(days=days, received=received)))
    return {
        kit: tuple(one for _, one in sorted(rows, key=lambda row: row[0])[-MOST_ORDERS:]) for kit, rows in taken.items()
    }


def times_of(
    kit: KitRecord,
    taken: Sequence[OrderTaken],
    *,
    stated_review: int | None,
    lead_assumed: float,
    review_assumed: float,
) -> Times:
    """Take times as stated and seen, else as assumed; what can't be is cut to what can, and said.

    Parameters
    ----------
    kit : KitRecord
        Says lead time and spread.
    taken : sequence of OrderTaken
        Of the kit.
    stated_review : int or None [days]
        Of the storeroom.
    lead_assumed, review_assumed : float [days]
        Where nothing is stated.

    Returns
    -------
    Times [days]
        With what had to be assumed or cut, in words.
    """
    stated = lead_assumed if kit.lead_time_days is None else float(kit.lead_time_days)
    review = review_assumed if stated_review is None else float(stated_review)
    seen = lead_time_seen(taken, stated=stated, stated_spread=kit.lead_time_sd_days)
    # nobody plans in parts of a day
    lead, spread, longest = float(round(seen.mean)), round(seen.spread, 1), LONGEST / 2.0
    said = (
        (kit.lead_time_days is None, f"lead time not stated: {stated:g} days assumed"),
        (kit.lead_time_sd_days is None and not seen.seen, "spread of the lead time not stated: none assumed"),
        (stated_review is None, f"review period not stated: {review:g} days assumed"),
        (lead + review == 0.0, "lead time and review period are both 0: a lead time of 1 day used"),
        (max(lead, review) > longest, f"lead time or review period beyond {longest:g} days: {longest:g} used"),
        (spread > lead > 0.0, f"spread of the lead time larger than itself: {lead:g} days used"),
    )
    lead = min(lead or float(review == 0.0), longest)
    return Times(
        lead=lead,
        spread=min(spread, lead),
        review=min(review, longest),
        seen=seen.seen,
        warnings=tuple(text for holds, text in said if holds),
    )
