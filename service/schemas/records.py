"""The record on the wire: one Struct per file of the record, one field per column.

Field names are the CSV headers. The types stand in `service/schemas/columns.py`. Fields without a default
are needed in every record; which of them are the key stands in `models/queries/files.py`.
"""

from msgspec import field

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
    KitsUsed,
    LastRenewals,
    LeakageClass,
    Money,
    Name,
    PartialDay,
    Policy,
    Quantity,
    Reason,
    StorageLife,
    Text,
    check_money,
    check_partial_days,
)
from service.schemas.record import Record as Record
from service.schemas.stock_records import ConsequenceTargetRecord as ConsequenceTargetRecord
from service.schemas.stock_records import IssueRecord as IssueRecord
from service.schemas.stock_records import LotRecord as LotRecord
from service.schemas.stock_records import OrderRecord as OrderRecord
from service.schemas.stock_records import ReservationRecord as ReservationRecord
from service.schemas.stock_records import StockRecord as StockRecord
from service.schemas.stock_records import StockSettingRecord as StockSettingRecord
from service.schemas.stock_records import StoreroomRecord as StoreroomRecord

EVERY_ITEM = ""  # the key in `last_renewed_on` of a date given for the whole valve


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
    leakage_class: LeakageClass | None = None
    seat_diameter_mm: Amount | None = None
    rated_capacity_kv: Amount | None = None


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
    expedited_lead_time_days: Days | None = None
    expediting_cost: Money | None = None
    cancelling_cost: Money | None = None
    superseded_by: Code | None = None
    superseded_on: Day | None = None
    old_fits_new_need: Flag | None = None

    def __post_init__(self) -> None:
        """Check the prices."""
        check_money(self.unit_cost)
        check_money(self.expediting_cost)
        check_money(self.cancelling_cost)


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


class ClosureRecord(Record, frozen=True, kw_only=True):
    """Days on which nothing is ordered, made or delivered, both included: turnarounds' lead times pass them over."""

    code: Code
    name: Name | None = None
    starts_on: Day
    ends_on: Day


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
    "closures": ClosureRecord,
    "scope_lines": ScopeLineRecord,
}
