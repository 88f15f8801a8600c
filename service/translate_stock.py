"""From stock records to the numerics' questions: one per storeroom and kit, every assumption named."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from forecasting.stock_positions import OpenOrder
from forecasting.stocking import Rule, StockQuestion
from service.schemas.records import KitRecord, OrderRecord, StockSettingRecord
from service.translate import Records, Register, successor_of

WORST_FIRST = ("stops", "curtails", "tolerable")


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
    warnings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Store:
    """What is on the shelf and on order, by storeroom and kit; old stock counts for its successor where it fits."""

    on_hand: dict[tuple[str, str], int]
    orders: dict[tuple[str, str], tuple[OpenOrder, ...]]


def _store(records: Records, *, as_of: date) -> _Store:
    kits = {kit.code: kit for kit in records.kits}
    followed = successor_of(records.kits, as_of=as_of)

    def counts_as(kit: str) -> str:
        return followed.get(kit, kit) if kit in kits and kits[kit].old_fits_new_need else kit

    on_hand: dict[tuple[str, str], int] = defaultdict(int)
    for row in records.stock:
        on_hand[row.storeroom, counts_as(row.kit)] += row.on_hand
    orders: dict[tuple[str, str], list[OpenOrder]] = defaultdict(list)
    for order in records.orders:
        rest = _still_to_come(order, as_of)
        if rest > 0:
            due = _due(order, kits.get(order.kit))
            orders[order.storeroom, counts_as(order.kit)].append(OpenOrder(due=float((due - as_of).days), qty=rest))
    return _Store(on_hand=dict(on_hand), orders={key: tuple(rows) for key, rows in orders.items()})


def _still_to_come(order: OrderRecord, as_of: date) -> int:
    """Kits of an order not yet received on the day."""
    if order.ordered_on is not None and order.ordered_on > as_of:
        return 0
    if order.received_on is None or order.received_on > as_of:
        return order.qty
    return order.qty - (order.qty if order.received_qty is None else order.received_qty)


def _due(order: OrderRecord, kit: KitRecord | None) -> date:
    """Day an order is due: as stated, else a lead time after it was placed, else never in time."""
    if order.due_on is not None:
        return order.due_on
    if order.ordered_on is None:
        return date.max
    lead = Assumptions.lead_time_days if kit is None or kit.lead_time_days is None else kit.lead_time_days
    return date.fromordinal(order.ordered_on.toordinal() + int(lead))


def _target(setting: StockSettingRecord | None, consequence: str, assumed: Assumptions) -> tuple[Rule, float, str]:
    """Rule, target and where they come from."""
    if setting is not None and setting.target is not None and setting.rule in set(Rule):
        return Rule(setting.rule), setting.target, "stock setting"
    level = assumed.cycle_service_level[consequence]
    source = f"assumed for consequence {consequence}"
    if setting is not None and setting.rule == "least_cost":
        source += " (the rule least_cost isn't computed)"
    return Rule.CYCLE, level, source


def _warnings(kit: KitRecord, review: int | None, counted: bool, assumed: Assumptions) -> tuple[str, ...]:
    """Name what had to be assumed of a kit."""
    said = (
        (kit.lead_time_days, f"lead time not stated: {assumed.lead_time_days:g} days assumed"),
        (kit.lead_time_sd_days, "spread of the lead time not stated: none assumed"),
        (review, f"review period not stated: {assumed.review_period_days:g} days assumed"),
        (counted or None, "no stock count: none on hand assumed"),
        (kit.unit_cost, "price not known: the smallest order is proposed"),
    )
    return tuple(text for value, text in said if value is None)


def _ask(
    records: Records, register: Register, store: _Store, assumed: Assumptions, *, storeroom: str, code: str
) -> AskedStock:
    """Put everything known of one kit in one storeroom together."""
    kit = next((one for one in records.kits if one.code == code), KitRecord(code=code))
    setting = next((s for s in records.stock_settings if (s.storeroom, s.kit) == (storeroom, code)), None)
    room = next((one for one in records.storerooms if one.code == storeroom), None)
    valves = frozenset(
        tag
        for tag in register.storerooms.get(storeroom, frozenset())
        if any(need.kit == code for need in register.design_items[register.designs[tag]])
    )
    said = {valve.consequence for valve in records.valves if valve.tag in valves}
    consequence = next((worst for worst in WORST_FIRST if worst in said), assumed.consequence)
    rule, target, source = _target(setting, consequence, assumed)
    review = None if room is None else room.review_period_days
    counted = (storeroom, code) in store.on_hand
    cost, floor = kit.unit_cost, 0 if setting is None else setting.floor_qty or 0
    question = StockQuestion(
        storeroom=storeroom,
        kit=code,
        valves=valves,
        lead_time=assumed.lead_time_days if kit.lead_time_days is None else float(kit.lead_time_days),
        lead_time_spread=kit.lead_time_sd_days or 0.0,
        review_period=assumed.review_period_days if review is None else float(review),
        rule=rule,
        target=target,
        floor=floor,
        min_order=max(kit.min_order_qty or 1, 1),
        pack=kit.pack_qty or 1,
        shelf_life=float("inf") if not kit.shelf_life_days else float(kit.shelf_life_days),
        order_cost=assumed.order_cost,
        holding_cost=None if not cost else float(cost) * assumed.holding_rate_per_year,
        on_hand=store.on_hand.get((storeroom, code), 0),
        orders=store.orders.get((storeroom, code), ()),
    )
    return AskedStock(
        question=question,
        unit_cost=cost,
        present_reorder_point=None if setting is None else setting.present_reorder_point,
        consequence=consequence,
        target_source=source,
        floor_qty=floor,
        warnings=_warnings(kit, review, counted, assumed),
    )


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
    store = _store(records, as_of=as_of)
    taken = {
        (storeroom, need.kit)
        for storeroom, tags in register.storerooms.items()
        for design in {register.designs[tag] for tag in tags}
        for need in register.design_items[design]
    }
    held = {key for key, quantity in store.on_hand.items() if quantity} | store.orders.keys()
    settings = {(setting.storeroom, setting.kit) for setting in records.stock_settings}
    return tuple(
        _ask(records, register, store, assumed, storeroom=storeroom, code=kit)
        for storeroom, kit in sorted(taken | held | settings)
    )
