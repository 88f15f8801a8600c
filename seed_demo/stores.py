"""The storerooms of the invented plant: levels, counts, and four years of orders that run late."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from seed_demo.events import Event
from seed_demo.kits import FITS, KIT, KITS, SUPERSEDED, Kit
from seed_demo.register import Valve

_ORDER_YEARS = 4
LEFTOVER = ("ST-WEST", SUPERSEDED, 4)  # storeroom, kit, number: what is left of the kit before the present one
_INSURANCE = ("Q-TRM-209", "Q-TRM-213", "Q-TRM-216", "Q-TRM-217")


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """One kit in one storeroom, with how it is run; `uses_per_year` is what really left it."""

    storeroom: str
    kit: Kit
    uses_per_year: float
    reorder_point: int
    order_quantity: int
    floor_qty: int
    target: str
    rule: str
    on_hand: int | None
    counted_on: date


@dataclass(frozen=True, kw_only=True)
class Order:
    """One line of an order; open while `received_on` is None."""

    ref: str
    line: int
    storeroom: str
    kit: str
    ordered_on: date
    due_on: date
    qty: int
    received_on: date | None
    received_qty: int | None


def stocked_shelves(valves: Iterable[Valve], events: Iterable[Event], *, as_of: date, rng: Random) -> list[Shelf]:
    """Return a shelf for every kit that fits a valve served by the storeroom."""
    valves = list(valves)
    storeroom_of = {valve.tag: valve.area.storeroom for valve in valves}
    since = as_of - timedelta(_ORDER_YEARS * 365)
    used = Counter({(storeroom, kit): 0 for valve in valves for storeroom, kit in _kits_served(valve)})
    for event in events:
        recent = event.kits_used if event.done_on > since else ()
        for kit, qty in recent:
            if (storeroom_of[event.tag], kit) in used:
                used[storeroom_of[event.tag], kit] += qty
    return [
        _shelf(storeroom, KIT[kit], uses / _ORDER_YEARS, as_of=as_of, rng=rng)
        for (storeroom, kit), uses in sorted(used.items())
    ]


def orders_placed(shelves: Iterable[Shelf], *, as_of: date, rng: Random) -> list[Order]:
    """Return the orders of the last four years in order of their day, with their references."""
    placed: list[Order] = []
    for shelf in shelves:
        placed += _orders_of(shelf, as_of=as_of, rng=rng)
    placed += _late_orders(placed, as_of=as_of)
    placed.sort(key=lambda order: (order.ordered_on, order.storeroom, order.kit))
    return _referenced(placed, rng)


def _kits_served(valve: Valve) -> list[tuple[str, str]]:
    fit = FITS.get(valve.design)
    return [(valve.area.storeroom, kit) for kit in (fit.packing, fit.trim, fit.actuator)] if fit else []


def _shelf(storeroom: str, kit: Kit, uses_per_year: float, *, as_of: date, rng: Random) -> Shelf:
    over_lead_time = uses_per_year * kit.lead_time_days / 365
    reorder_point = round(over_lead_time * rng.uniform(0.6, 2.2)) + rng.randint(0, 1)
    packs = max(1, round(uses_per_year * rng.uniform(0.2, 0.6) / kit.pack_qty))
    order_quantity = max(kit.min_order_qty, packs * kit.pack_qty)
    fill_rate = rng.random() < 0.2
    return Shelf(
        storeroom=storeroom,
        kit=kit,
        uses_per_year=uses_per_year,
        reorder_point=reorder_point,
        order_quantity=order_quantity,
        floor_qty=1 if kit.code in _INSURANCE else 0,
        rule="fill_rate" if fill_rate else "cycle_service_level",
        target=rng.choice(("0.95", "0.98") if fill_rate else ("0.90", "0.95", "0.95", "0.99")),
        on_hand=_counted(reorder_point, order_quantity, rng),
        counted_on=as_of - timedelta(rng.randint(0, 85)),
    )


def _counted(reorder_point: int, order_quantity: int, rng: Random) -> int | None:
    """Most shelves lie between empty and full; some are bare, overfull, or not counted at all."""
    luck = rng.random()
    if luck < 0.06:
        return None
    if luck < 0.16:
        return 0
    if luck < 0.22:
        return 3 * (reorder_point + order_quantity) + 12
    return rng.randint(reorder_point // 2, reorder_point + order_quantity)


def _orders_of(shelf: Shelf, *, as_of: date, rng: Random) -> list[Order]:
    if shelf.uses_per_year == 0:
        return []
    cycle_days = 365 * shelf.order_quantity / shelf.uses_per_year
    orders: list[Order] = []
    day = as_of - timedelta(_ORDER_YEARS * 365) + timedelta(int(rng.uniform(0, 1) * cycle_days))
    while day <= as_of:
        orders.append(_order(shelf, day, as_of=as_of, rng=rng))
        day += timedelta(max(7, int(cycle_days * rng.uniform(0.6, 1.4))))
    return orders


def _order(shelf: Shelf, day: date, *, as_of: date, rng: Random) -> Order:
    """Lead times spread around a little more than was promised, and now and then run very late."""
    kit = shelf.kit
    took_days = rng.gauss(1.07 * kit.lead_time_days, kit.lead_time_sd_days)
    took_days += rng.expovariate(1 / (0.5 * kit.lead_time_days)) if rng.random() < 0.12 else 0
    received_on = day + timedelta(max(3, round(took_days)))
    arrived = received_on <= as_of
    short = shelf.order_quantity > 2 and rng.random() < 0.05
    return Order(
        ref="",
        line=1,
        storeroom=shelf.storeroom,
        kit=kit.code,
        ordered_on=day,
        due_on=day + timedelta(kit.lead_time_days),
        qty=shelf.order_quantity,
        received_on=received_on if arrived else None,
        received_qty=shelf.order_quantity - short if arrived else None,
    )


def _late_orders(placed: list[Order], *, as_of: date) -> list[Order]:
    """Return three open orders more: two overdue, and one that the seller moved far into next year."""
    trims = [order for order in placed if order.kit in {kit.code for kit in KITS["trim"]}]
    late = []
    for order, ordered_days_ago, due_in_days in zip(trims[::9], (210, 160, 45), (-34, -9, 400), strict=False):
        late.append(
            replace(
                order,
                ordered_on=as_of - timedelta(ordered_days_ago),
                due_on=as_of + timedelta(due_in_days),
                received_on=None,
                received_qty=None,
            )
        )
    return late


def _referenced(orders: list[Order], rng: Random) -> list[Order]:
    """Give references; neighbours for one storeroom within three days are often lines of one order."""
    referenced: list[Order] = []
    number = 3000
    for order in orders:
        last = referenced[-1] if referenced else None
        if (
            last
            and last.storeroom == order.storeroom
            and (order.ordered_on - last.ordered_on).days <= 3
            and rng.random() < 0.7
        ):
            referenced.append(replace(order, ref=last.ref, line=last.line + 1, ordered_on=last.ordered_on))
        else:
            number += 1
            referenced.append(replace(order, ref=f"PO-{number}"))
    return referenced
