"""From stock records to the numerics' questions: one per storeroom and kit, every assumption named."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from forecasting.received_orders import OrderTaken
from forecasting.stock_positions import OpenOrder
from forecasting.stocking import StockQuestion
from service.schemas.records import (
    ConsequenceTargetRecord,
    KitRecord,
    OrderRecord,
    ReservationRecord,
    StockSettingRecord,
)
from service.translate import Records, Register, stock_counts_as, successor_of
from service.translate_accepted import OrderKey, accepted_kits, not_yet_ordered, with_accepted_levels
from service.translate_for_turnarounds import ForTurnaround, OpenLine, for_turnarounds, without_theirs
from service.translate_lead_times import Times, orders_taken, times_of
from service.translate_reservations import reservations_by_key, reserved_outside
from service.translate_shelf_life import Shelf, ShelfLife, shelf_lives, shelves
from service.translate_targets import WORST_FIRST, Target, target_of

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
    shortage_weight: Mapping[str, float] = field(
        default_factory=lambda: {"stops": 20.0, "curtails": 5.0, "tolerable": 1.0}
    )


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
    orders_seen: int = 0
    shelf_life: ShelfLife | None = None
    shortage_weight: float = 1.0
    weight_is_money: bool = False
    for_turnarounds: Mapping[str, ForTurnaround] = field(default_factory=dict)
    old_stock: Mapping[str, int] = field(default_factory=dict)
    setting_of: str | None = None


@dataclass(frozen=True, kw_only=True)
class _Store:
    """What is on the shelf and on order, by storeroom and kit; old stock counts for its successor where it fits."""

    on_hand: dict[Key, int]
    old_stock: dict[Key, dict[str, int]]
    orders: dict[Key, tuple[OpenOrder, ...]]
    undated: dict[Key, int]
    accepted: dict[Key, int]
    for_turnarounds: dict[Key, dict[str, ForTurnaround]]
    reserved: dict[Key, tuple[ReservationRecord, ...]]
    shelves: dict[Key, Shelf]


@dataclass(frozen=True, kw_only=True)
class _Known:
    """Everything a question needs, by what it is looked up by."""

    kits: dict[str, KitRecord]
    settings: dict[Key, StockSettingRecord]
    targets: dict[str, ConsequenceTargetRecord]
    taken: dict[str, tuple[OrderTaken, ...]]
    lives: dict[str, ShelfLife]
    review_periods: dict[str, int | None]
    valves: dict[Key, frozenset[str]]
    consequences: dict[str, str | None]
    successors: dict[str, str]
    store: _Store
    as_of: date


def _store(records: Records, lives: Mapping[str, ShelfLife], *, as_of: date, assumed: Assumptions) -> _Store:
    """Count what is there and what is still to come."""
    kits = {kit.code: kit for kit in records.kits}
    counts_as = stock_counts_as(records.kits, as_of=as_of)
    on_hand: dict[Key, int] = defaultdict(int)
    old_stock: dict[Key, dict[str, int]] = defaultdict(dict)
    for row in records.stock:
        key = row.storeroom, counts_as.get(row.kit, row.kit)
        on_hand[key] += row.on_hand
        if row.kit in counts_as and row.on_hand:
            old_stock[key][row.kit] = row.on_hand
    orders: dict[Key, list[OpenOrder]] = defaultdict(list)
    lines: dict[OrderKey, OpenLine] = {}
    undated: dict[Key, int] = defaultdict(int)
    for order in records.orders:
        rest, key = _still_to_come(order, as_of), (order.storeroom, counts_as.get(order.kit, order.kit))
        if rest <= 0:
            continue
        due = _due(order, kits.get(order.kit), assumed)
        if due is None:
            undated[key] += rest
        days = float(((due or date.max) - as_of).days)
        orders[key].append(OpenOrder(due=days, qty=rest))
        lines[order.ref, order.line] = OpenLine(due=days, rest=rest)
    accepted = accepted_kits(records.accepted, records.orders, counts_as, as_of=as_of)
    theirs = for_turnarounds(accepted, lines, records.turnarounds, as_of=as_of)
    return _Store(
        on_hand=dict(on_hand),
        old_stock=dict(old_stock),
        orders={key: without_theirs(rows, theirs.get(key, {})) for key, rows in orders.items()},
        undated=dict(undated),
        accepted=not_yet_ordered(accepted),
        for_turnarounds=theirs,
        reserved=reservations_by_key(records.reservations, counts_as),
        shelves=shelves(records.lots, on_hand, lives, counts_as, as_of=as_of),
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


def _warnings(kit: KitRecord, known: _Known, key: Key) -> tuple[str, ...]:
    """Name what had to be assumed of a kit and its stock."""
    store, life, setting = known.store, known.lives.get(kit.code), known.settings.get(key)
    undated = store.undated.get(key, 0)
    said = (
        (key not in store.on_hand, "no stock count: none on hand assumed"),
        (undated > 0, f"{undated} on order without any date: not counted"),
        (kit.unit_cost is None, "price not known: the smallest order is proposed"),
        (kit.unit_cost == 0, "a price of 0 says nothing: the smallest order is proposed"),
        (kit.shelf_life_days == 0, "a shelf life of 0 days can't be: not used"),
        (life is None, "shelf life not known: an order may outlive it"),
        (life is not None and bool(life.unsaid), f"shelf life of part {_first(life)} not known"),
        (setting is not None and setting.kit != kit.code, f"stock setting of {_kit(setting)}, which it supersedes"),
    )
    shelf = store.shelves.get(key)
    return tuple(text for holds, text in said if holds) + (() if shelf is None else shelf.warnings)


def _first(life: ShelfLife | None) -> str:
    """Name one of the parts that don't say how long they keep."""
    return life.unsaid[0] if life is not None and life.unsaid else ""


def _kit(setting: StockSettingRecord | None) -> str:
    return "" if setting is None else setting.kit


def _target(known: _Known, kit: KitRecord, key: Key, assumed: Assumptions) -> tuple[str, Target]:
    """Worst consequence among the valves served, and the target that follows."""
    said = {known.consequences[tag] for tag in known.valves.get(key, frozenset())}
    consequence = next((worst for worst in WORST_FIRST if worst in said), assumed.consequence)
    priced, levels = bool(kit.unit_cost), assumed.cycle_service_level
    setting = known.settings.get(key)
    return consequence, target_of(setting, known.targets, consequence=consequence, priced=priced, assumed=levels)


def _question(known: _Known, key: Key, times: Times, target: Target, assumed: Assumptions) -> StockQuestion:
    """Put everything known of one kit in one storeroom together, for the numerics."""
    kit, store = known.kits.get(key[1], KitRecord(code=key[1])), known.store
    setting = known.settings.get(key, StockSettingRecord(storeroom=key[0], kit=key[1]))
    life, shelf = known.lives.get(kit.code), store.shelves.get(key)
    return StockQuestion(
        storeroom=key[0],
        kit=kit.code,
        valves=known.valves.get(key, frozenset()),
        lead_time=times.lead,
        lead_time_spread=times.spread,
        review_period=times.review,
        rule=target.rule,
        target=target.target,
        floor=setting.floor_qty or 0,
        min_order=max(kit.min_order_qty or 1, 1),
        pack=kit.pack_qty or 1,
        shelf_life=float("inf") if life is None else life.days,
        order_cost=assumed.order_cost,
        holding_cost=float(kit.unit_cost) * assumed.holding_rate_per_year if kit.unit_cost else None,
        on_hand=store.on_hand.get(key, 0),
        orders=store.orders.get(key, ()),
        accepted=store.accepted.get(key, 0),
        reserved=reserved_outside(
            store.reserved.get(key, ()),
            known.valves.get(key, frozenset()),
            last=known.as_of.toordinal() + times.lead + times.review,
        )
        + sum(one.received for one in store.for_turnarounds.get(key, {}).values()),
        shortage_cost=float(target.shortage_cost) if target.shortage_cost else None,
        lots=() if shelf is None else shelf.lots,
        present_reorder_point=setting.present_reorder_point,
        present_order_quantity=setting.present_order_quantity,
    )


def _times(known: _Known, key: Key, assumed: Assumptions) -> Times:
    """Say how long an order and the next review take."""
    storeroom, code = key
    return times_of(
        known.kits.get(code, KitRecord(code=code)),
        known.taken.get(code, ()),
        stated_review=known.review_periods.get(storeroom),
        lead_assumed=assumed.lead_time_days,
        review_assumed=assumed.review_period_days,
    )


def _due_soon(known: _Known, key: Key, first: int, assumed: Assumptions) -> bool:
    """Say whether the first valve to take a kit comes within an order's and a review's time."""
    times = _times(known, key, assumed)
    return first <= known.as_of.toordinal() + times.lead + times.review


def _ask(known: _Known, key: Key, assumed: Assumptions) -> AskedStock:
    """Ask about one kit in one storeroom, with what the answer has to say."""
    code = key[1]
    kit, times = known.kits.get(code, KitRecord(code=code)), _times(known, key, assumed)
    consequence, target = _target(known, kit, key, assumed)
    question = _question(known, key, times, target, assumed)
    return AskedStock(
        question=question,
        unit_cost=kit.unit_cost,
        present_reorder_point=question.present_reorder_point,
        consequence=consequence,
        target_source=target.source,
        floor_qty=question.floor,
        successor=known.successors.get(code),
        warnings=times.warnings + _warnings(kit, known, key),
        orders_seen=times.seen,
        shelf_life=known.lives.get(code),
        shortage_weight=float(target.shortage_cost or assumed.shortage_weight[consequence]),
        weight_is_money=bool(target.shortage_cost),
        for_turnarounds=known.store.for_turnarounds.get(key, {}),
        old_stock=known.store.old_stock.get(key, {}),
        setting_of=None if key not in known.settings or known.settings[key].kit == code else known.settings[key].kit,
    )


def _settings(settings: Iterable[StockSettingRecord], successors: Mapping[str, str]) -> dict[Key, StockSettingRecord]:
    """Sort settings by storeroom and kit; those of a superseded kit hold for its successor, unless it has its own."""
    rows = sorted(settings, key=lambda one: one.kit in successors, reverse=True)
    return {(one.storeroom, successors.get(one.kit, one.kit)): one for one in rows}


def _takers(register: Register, served: Mapping[str, frozenset[str]]) -> dict[Key, frozenset[str]]:
    """Valves that take each kit, by the storeroom that serves them."""
    takers: dict[Key, set[str]] = defaultdict(set)
    kits = register.kits
    for storeroom, tags in served.items():
        for tag in tags:
            for kit in kits[register.designs[tag]]:
                takers[storeroom, kit].add(tag)
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
    taking, coming = (_takers(register, served) for served in (register.storerooms, register.coming))
    lives = shelf_lives(records.kits, records.kit_parts, records.parts, records.materials)
    successors = successor_of(records.kits, as_of=as_of)
    known = _Known(
        kits={kit.code: kit for kit in records.kits},
        settings=_settings(with_accepted_levels(records.stock_settings, records.accepted), successors),
        targets={one.consequence: one for one in records.consequence_targets},
        taken=orders_taken(records.orders, successors, as_of=as_of),
        lives=lives,
        review_periods={room.code: room.review_period_days for room in records.storerooms},
        valves={key: taking.get(key, frozenset()) | tags for key, tags in {**taking, **coming}.items()},
        consequences={valve.tag: valve.consequence for valve in records.valves},
        successors=successors,
        store=_store(records, lives, as_of=as_of, assumed=assumed),
        as_of=as_of,
    )
    parts = {part.code for part in records.parts}
    held = {key for key, quantity in known.store.on_hand.items() if quantity} | known.store.orders.keys()
    held |= known.store.reserved.keys() | known.store.for_turnarounds.keys()
    # a part is stocked under its own code, but no kit
    held = {(storeroom, code) for storeroom, code in held if code not in parts}
    begin = {one.valve: one.installed or 0 for one in register.histories}
    soon = {key for key, tags in coming.items() if _due_soon(known, key, min(begin[tag] for tag in tags), assumed)}
    return tuple(_ask(known, key, assumed) for key in sorted(taking.keys() | soon | held | known.settings.keys()))
