"""The record on the wire: one Struct per file of the record, one field per column.

Field names are the CSV headers. The types stand in `service/schemas/columns.py`. Fields without a default
are needed in every record; which of them are the key stands in `models/queries/files.py`.
"""

from msgspec import Struct, field

from service.schemas.columns import (
    Action,
    Amount,
    AsFound,
    Code,
    Codes,
    Consequence,
    Count,
    Day,
    Days,
    DaysSpread,
    Decision,
    Flag,
    Interval,
    Issued,
    KitsUsed,
    LastRenewals,
    Money,
    Name,
    PartialDay,
    Policy,
    Quantity,
    Reason,
    Share,
    StockRule,
    StorageLife,
    Text,
    check_issued,
    check_money,
    check_partial_days,
)

EVERY_ITEM = ""  # the key in `last_renewed_on` of a date given for the whole valve


class Record(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What all records share: immutable, named fields only, nothing unknown."""


class AreaRecord(Record, frozen=True, kw_only=True):
    """A process unit, served by one storeroom."""

    code: Code
    name: Name | None = None
    records_begin_on: Day | None = None
    storeroom: Code | None = None


class ServiceClassRecord(Record, frozen=True, kw_only=True):
    """Valves whose fluid and duty wear them alike."""

    code: Code
    name: Name | None = None
    description: Text | None = None


class MaintainableItemRecord(Record, frozen=True, kw_only=True):
    """What wears and is renewed as one: packing, trim, actuator."""

    code: Code
    name: Name | None = None


class PolicyRecord(Record, frozen=True, kw_only=True):
    """When an item is renewed in a service class; the interval belongs to all but corrective."""

    service_class: Code
    maintainable_item: Code
    policy: Policy
    interval_days: Interval | None = None


class DesignRecord(Record, frozen=True, kw_only=True):
    """A valve design; it decides which kits fit."""

    code: Code
    name: Name | None = None
    body_size: Name | None = None
    rating: Name | None = None
    actuator_air_limit_kpa: Amount | None = None


class MaterialRecord(Record, frozen=True, kw_only=True):
    """What a part is made of, how long it keeps on a shelf, and which edition of which source says so."""

    code: Code
    name: Name | None = None
    storage_life_days: StorageLife | None = None
    edition: Name | None = None
    source: Name | None = None


class PartRecord(Record, frozen=True, kw_only=True):
    """A part of kits."""

    code: Code
    name: Name | None = None
    material: Code | None = None
    unit_cost: Money | None = None
    priced_on: Day | None = None
    shelf_life_days: Days | None = None

    def __post_init__(self) -> None:
        """Check the price."""
        check_money(self.unit_cost)


class KitRecord(Record, frozen=True, kw_only=True):
    """A stock-coded rebuild kit and what it renews."""

    code: Code
    name: Name | None = None
    renews: Codes = field(default_factory=list)
    unit_cost: Money | None = None
    priced_on: Day | None = None
    lead_time_days: Days | None = None
    lead_time_sd_days: DaysSpread | None = None
    min_order_qty: Count | None = None
    pack_qty: Quantity | None = None
    shelf_life_days: Days | None = None
    superseded_by: Code | None = None
    superseded_on: Day | None = None
    old_fits_new_need: Flag | None = None

    def __post_init__(self) -> None:
        """Check the price."""
        check_money(self.unit_cost)


class KitPartRecord(Record, frozen=True, kw_only=True):
    """A line of a kit's bill of material; an empty quantity is one."""

    kit: Code
    part: Code
    qty: Quantity | None = None


class DesignKitRecord(Record, frozen=True, kw_only=True):
    """Which kit renews an item of a design; an empty quantity is one."""

    design: Code
    maintainable_item: Code
    kit: Code | None = None
    qty: Quantity | None = None
    on_opening: Flag | None = None


class RebuildCostRecord(Record, frozen=True, kw_only=True):
    """What renewing an item of a design takes, planned and not; `opening_hours` come once for each opening."""

    design: Code
    maintainable_item: Code
    planned_hours: Amount | None = None
    planned_cost: Money | None = None
    unplanned_cost: Money | None = None
    opening_hours: Amount | None = None

    def __post_init__(self) -> None:
        """Check the costs."""
        check_money(self.planned_cost)
        check_money(self.unplanned_cost)


class TurnaroundRecord(Record, frozen=True, kw_only=True):
    """A planned shutdown of some areas; after `scope_freeze_on` what fails waits for the next one."""

    code: Code
    name: Name | None = None
    starts_on: Day | None = None
    ends_on: Day | None = None
    areas: Codes = field(default_factory=list)
    scope_freeze_on: Day | None = None


class ValveRecord(Record, frozen=True, kw_only=True):
    """A place in the plant with a control valve in it."""

    tag: Code
    serial: Name | None = None
    design: Code | None = None
    service_class: Code | None = None
    area: Code | None = None
    installed_on: PartialDay | None = None
    records_begin_on: Day | None = None
    last_renewed_on: LastRenewals = field(default_factory=dict)
    removed_on: Day | None = None
    consequence: Consequence | None = None
    safety_related: Flag | None = None
    isolable_on_run: Flag | None = None
    proof_test_due_on: Day | None = None

    def __post_init__(self) -> None:
        """Check the days that may be partial."""
        check_partial_days(self.installed_on, *self.last_renewed_on.values())


class EventRecord(Record, frozen=True, kw_only=True):
    """Something done to a valve: facts and dates."""

    ref: Code | None = None
    tag: Code
    found_on: PartialDay | None = None
    done_on: PartialDay
    action: Action
    reason: Reason | None = None
    turnaround: Code | None = None
    as_found: AsFound = field(default_factory=dict)
    failure_mode: Name | None = None
    last_ok_on: PartialDay | None = None
    renewed: Codes = field(default_factory=list)
    kits_used: KitsUsed = field(default_factory=dict)
    service_class_from: Code | None = None
    serial_fitted: Name | None = None
    labour_hours: Amount | None = None
    cost: Money | None = None
    note: Text | None = None

    def __post_init__(self) -> None:
        """Check the cost and the days."""
        check_money(self.cost)
        check_partial_days(self.found_on, self.done_on, self.last_ok_on)


class StoreroomRecord(Record, frozen=True, kw_only=True):
    """Where kits are kept, and how often its stock is reviewed."""

    code: Code
    name: Name | None = None
    review_period_days: Days | None = None


class StockSettingRecord(Record, frozen=True, kw_only=True):
    """How low a kit may run in a storeroom: rule and target, floor, and the levels in use today."""

    storeroom: Code
    kit: Code
    rule: StockRule | None = None
    target: Share | None = None
    floor_qty: Count | None = None
    present_reorder_point: Count | None = None
    present_order_quantity: Count | None = None


class ConsequenceTargetRecord(Record, frozen=True, kw_only=True):
    """How low kits may run that serve valves of a consequence, and what one such failure costs."""

    consequence: Consequence
    rule: StockRule | None = None
    target: Share | None = None
    cost_of_failure: Money | None = None

    def __post_init__(self) -> None:
        """Check the cost."""
        check_money(self.cost_of_failure)


class StockRecord(Record, frozen=True, kw_only=True):
    """How many of a kit lie in a storeroom, and when that was counted."""

    storeroom: Code
    kit: Code
    on_hand: Count
    counted_on: Day | None = None


class LotRecord(Record, frozen=True, kw_only=True):
    """Kits in a storeroom that came together and expire together."""

    storeroom: Code
    kit: Code
    lot: Code
    cured_on: Day | None = None
    expires_on: Day | None = None
    qty: Count


class OrderRecord(Record, frozen=True, kw_only=True):
    """A line of a purchase order, open or received."""

    ref: Code
    line: Code
    storeroom: Code
    kit: Code
    ordered_on: Day | None = None
    due_on: Day | None = None
    qty: Quantity
    received_on: Day | None = None
    received_qty: Count | None = None


class ReservationRecord(Record, frozen=True, kw_only=True):
    """Kits that somebody has asked to be kept for a day, for a turnaround or a valve if it says so."""

    ref: Code
    kit: Code
    storeroom: Code | None = None
    qty: Quantity
    needed_on: Day | None = None
    turnaround: Code | None = None
    tag: Code | None = None


class IssueRecord(Record, frozen=True, kw_only=True):
    """Kits that left a shelf, or came back to it."""

    ref: Code
    kit: Code
    storeroom: Code | None = None
    issued_on: Day
    qty: Issued
    reason: Reason | None = None
    tag: Code | None = None

    def __post_init__(self) -> None:
        """Refuse an issue of nothing."""
        check_issued(self.qty)


class ScopeLineRecord(Record, frozen=True, kw_only=True):
    """What somebody decided about a valve in a turnaround."""

    turnaround: Code
    tag: Code
    decision: Decision
    reason: Text | None = None
    decided_by: Name | None = None


RECORDS: dict[str, type[Record]] = {
    "areas": AreaRecord,
    "service_classes": ServiceClassRecord,
    "maintainable_items": MaintainableItemRecord,
    "policies": PolicyRecord,
    "designs": DesignRecord,
    "materials": MaterialRecord,
    "parts": PartRecord,
    "kits": KitRecord,
    "kit_parts": KitPartRecord,
    "design_kits": DesignKitRecord,
    "rebuild_costs": RebuildCostRecord,
    "valves": ValveRecord,
    "events": EventRecord,
    "storerooms": StoreroomRecord,
    "stock_settings": StockSettingRecord,
    "consequence_targets": ConsequenceTargetRecord,
    "stock": StockRecord,
    "lots": LotRecord,
    "orders": OrderRecord,
    "reservations": ReservationRecord,
    "issues": IssueRecord,
    "turnarounds": TurnaroundRecord,
    "scope_lines": ScopeLineRecord,
}
