"""From stock records to the numerics' questions: one per storeroom and kit, every assumption named."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from forecasting.lead_times import LONGEST
from forecasting.stock_positions import OpenOrder
from forecasting.stocking import Rule, StockQuestion
from service.schemas.records import KitRecord, OrderRecord, StockSettingRecord
from service.translate import Records, Register, stock_counts_as, successor_of

WORST_FIRST = ("stops", "curtails", "tolerable")
Key = tuple[str, str]
"""Storeroom and kit."""


@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """What is assumed where the record says nothing (common practice, no source; each answer names what it used)."""

    lead_time_days: float = 60.0
    review_period_days: float = 7.0
    order_cost: float = 60.0
    holding_rate_per_year: float = 0.25
    cycle_service_level: Mapping[str, float] = field(
        default_factory=lambda: {"stops": 0.98, "curtails": 0.95, "tolerable": 0.90}
    )
    consequence: str = "curtails"


@dataclass(frozen=True, kw_only=True)
class AskedStock:
    """A stock question with what the answer has to say about it."""

    question: StockQuestion
    unit_cost: Decimal | None
    present_reorder_point: int | None
    consequence: str
    target_source: str
    floor_qty: int
    successor: str | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Store:
    """What is on the shelf and on order, by storeroom and kit; old stock counts for its successor where it fits."""

    on_hand: dict[Key, int]
    orders: dict[Key, tuple[OpenOrder, ...]]
    undated: dict[Key, int]


@dataclass(frozen=True, kw_only=True)
class _Known:
    """Everything a question needs, by what it is looked up by."""

    kits: dict[str, KitRecord]
    settings: dict[Key, StockSettingRecord]
    review_periods: dict[str, int | None]
    valves: dict[Key, frozenset[str]]
    consequences: dict[str, str | None]
    successors: dict[str, str]
    store: _Store


def _store(records: Records, *, as_of: date, assumed: Assumptions) -> _Store:
    """Count what is there and what is still to come."""
    kits = {kit.code: kit for kit in records.kits}
    counts_as = stock_counts_as(records.kits, as_of=as_of)
    on_hand: dict[Key, int] = defaultdict(int)
    for row in records.stock:
        on_hand[row.storeroom, counts_as.get(row.kit, row.kit)] += row.on_hand
    orders: dict[Key, list[OpenOrder]] = defaultdict(list)
    undated: dict[Key, int] = defaultdict(int)
    for order in records.orders:
        rest, key = _still_to_come(order, as_of), (order.storeroom, counts_as.get(order.kit, order.kit))
        if rest <= 0:
            continue
        due = _due(order, kits.get(order.kit), assumed)
        if due is None:
            undated[key] += rest
        orders[key].append(OpenOrder(due=float(((due or date.max) - as_of).days), qty=rest))
    return _Store(
        on_hand=dict(on_hand), orders={key: tuple(rows) for key, rows in orders.items()}, undated=dict(undated)
    )


def _still_to_come(order: OrderRecord, as_of: date) -> int:
    """Kits of an order not yet received on the day."""
    if order.ordered_on is not None and order.ordered_on > as_of:
        return 0
    if order.received_on is not None and order.received_on > as_of:
        return order.qty
    if order.received_on is None and order.received_qty is None:
        return order.qty
    return order.qty - (order.qty if order.received_qty is None else order.received_qty)


def _due(order: OrderRecord, kit: KitRecord | None, assumed: Assumptions) -> date | None:
    """Day an order is due: as stated, else a lead time after it was placed, else not known."""
    if order.due_on is not None or order.ordered_on is None:
        return order.due_on
    lead = assumed.lead_time_days if kit is None or kit.lead_time_days is None else kit.lead_time_days
    return date.fromordinal(order.ordered_on.toordinal() + int(lead))


def _target(setting: StockSettingRecord | None, consequence: str, assumed: Assumptions) -> tuple[Rule, float, str]:
    """Rule, target and where they come from."""
    rule = None if setting is None else setting.rule
    if setting is not None and setting.target is not None and rule != "least_cost":
        return Rule(rule or Rule.CYCLE), setting.target, "stock setting"
    source = f"assumed for consequence {consequence}"
    if rule == "least_cost":
        source += " (the rule least_cost isn't computed)"
    elif rule is not None:
        source += f" (the stock setting names the rule {rule} without a target)"
    return Rule.CYCLE, assumed.cycle_service_level[consequence], source


@dataclass(frozen=True, kw_only=True)
class _Times:
    """Lead time, its spread and the review period, within what can be computed."""

    lead: float
    spread: float
    review: float
    warnings: tuple[str, ...]


def _times(kit: KitRecord, stated_review: int | None, assumed: Assumptions) -> _Times:
    """Take times as stated, else as assumed; what can't be is cut to what can, and said."""
    lead = assumed.lead_time_days if kit.lead_time_days is None else float(kit.lead_time_days)
    review = assumed.review_period_days if stated_review is None else float(stated_review)
    spread, longest = kit.lead_time_sd_days or 0.0, LONGEST / 2.0
    said = (
        (kit.lead_time_days is None, f"lead time not stated: {lead:g} days assumed"),
        (kit.lead_time_sd_days is None, "spread of the lead time not stated: none assumed"),
        (stated_review is None, f"review period not stated: {review:g} days assumed"),
        (lead + review == 0.0, "lead time and review period are both 0: a lead time of 1 day used"),
        (max(lead, review) > longest, f"lead time or review period beyond {longest:g} days: {longest:g} used"),
        (spread > lead > 0.0, f"spread of the lead time larger than itself: {lead:g} days used"),
    )
    lead = min(lead or float(review == 0.0), longest)
    return _Times(
        lead=lead,
        spread=min(spread, lead),
        review=min(review, longest),
        warnings=tuple(text for holds, text in said if holds),
    )


def _warnings(kit: KitRecord, store: _Store, key: Key) -> tuple[str, ...]:
    """Name what had to be assumed of a kit and its stock."""
    undated = store.undated.get(key, 0)
    said = (
        (key not in store.on_hand, "no stock count: none on hand assumed"),
        (undated > 0, f"{undated} on order without any date: not counted"),
        (kit.unit_cost is None, "price not known: the smallest order is proposed"),
        (not kit.shelf_life_days, "shelf life not known: an order may outlive it"),
    )
    return tuple(text for holds, text in said if holds)


def _ask(known: _Known, key: Key, assumed: Assumptions) -> AskedStock:
    """Put everything known of one kit in one storeroom together."""
    storeroom, code = key
    kit, setting = known.kits.get(code, KitRecord(code=code)), known.settings.get(key)
    times = _times(kit, known.review_periods.get(storeroom), assumed)
    valves = known.valves.get(key, frozenset())
    said = {known.consequences[tag] for tag in valves}
    consequence = next((worst for worst in WORST_FIRST if worst in said), assumed.consequence)
    rule, target, source = _target(setting, consequence, assumed)
    cost, floor = kit.unit_cost, 0 if setting is None else setting.floor_qty or 0
    question = StockQuestion(
        storeroom=storeroom,
        kit=code,
        valves=valves,
        lead_time=times.lead,
        lead_time_spread=times.spread,
        review_period=times.review,
        rule=rule,
        target=target,
        floor=floor,
        min_order=max(kit.min_order_qty or 1, 1),
        pack=kit.pack_qty or 1,
        shelf_life=float(kit.shelf_life_days or "inf"),
        order_cost=assumed.order_cost,
        holding_cost=None if not cost else float(cost) * assumed.holding_rate_per_year,
        on_hand=known.store.on_hand.get(key, 0),
        orders=known.store.orders.get(key, ()),
    )
    return AskedStock(
        question=question,
        unit_cost=cost,
        present_reorder_point=None if setting is None else setting.present_reorder_point,
        consequence=consequence,
        target_source=source,
        floor_qty=floor,
        successor=known.successors.get(code),
        warnings=times.warnings + _warnings(kit, known.store, key),
    )


def _takers(register: Register) -> dict[Key, frozenset[str]]:
    """Valves that take each kit, by the storeroom that serves them."""
    takers: dict[Key, set[str]] = defaultdict(set)
    for storeroom, tags in register.storerooms.items():
        for tag in tags:
            for need in register.design_items[register.designs[tag]]:
                takers[storeroom, need.kit].add(tag)
    return {key: frozenset(tags) for key, tags in takers.items()}


def stock_asked(records: Records, register: Register, *, as_of: date, assumed: Assumptions) -> tuple[AskedStock, ...]:
    """Ask about every kit a storeroom's valves take, and every kit it has stock of or settings for.

    Parameters
    ----------
    records : Records
        As imported.
    register : Register
        The same, for the numerics.
    as_of : date
        Data cut-off.
    assumed : Assumptions
        Where the record says nothing.

    Returns
    -------
    tuple of AskedStock
        By storeroom and kit.
    """
    known = _Known(
        kits={kit.code: kit for kit in records.kits},
        settings={(setting.storeroom, setting.kit): setting for setting in records.stock_settings},
        review_periods={room.code: room.review_period_days for room in records.storerooms},
        valves=_takers(register),
        consequences={valve.tag: valve.consequence for valve in records.valves},
        successors=successor_of(records.kits, as_of=as_of),
        store=_store(records, as_of=as_of, assumed=assumed),
    )
    held = {key for key, quantity in known.store.on_hand.items() if quantity} | known.store.orders.keys()
    return tuple(_ask(known, key, assumed) for key in sorted(known.valves.keys() | held | known.settings.keys()))
