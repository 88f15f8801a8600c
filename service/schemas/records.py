"""The record on the wire: one Struct per file of the record, one field per column.

Field names are the CSV headers. The description of a type says what its cell must hold; it is the
`expected` of an import error and part of the API description. Fields without a default are needed in
every record; which of them are the key stands in `models/queries/files.py`.
"""

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

# Printable, without | and :, which join lists in a cell, and without blanks at either end.
_CODE_BODY = r"(?! )[^|:\x00-\x1f\x7f-\xa0\u200b-\u200f\u2028-\u202f\u2060-\u206f\ufeff]{1,60}(?<! )"
_CODE = rf"^{_CODE_BODY}$(?!\n)"
_CODE_OR_NOTHING = rf"^(?:{_CODE_BODY})?$(?!\n)"
LARGEST_COUNT = 1_000_000_000
LARGEST_DAYS = 100_000
LARGEST_MONEY = 1_000_000_000_000
MONEY_DECIMALS = 6

Code = Annotated[
    str,
    Meta(pattern=_CODE, max_length=60, description="a code of 1 to 60 printable characters without | or :"),
]
Name = Annotated[str, Meta(max_length=200, description="text of at most 200 characters")]
Text = Annotated[str, Meta(max_length=4000, description="text of at most 4000 characters")]
Count = Annotated[int, Meta(ge=0, le=LARGEST_COUNT, description="a whole number, 0 or more")]
Quantity = Annotated[int, Meta(ge=1, le=LARGEST_COUNT, description="a whole number, 1 or more")]
Days = Annotated[int, Meta(ge=0, le=LARGEST_DAYS, description="a whole number of days, 0 or more")]
Interval = Annotated[int, Meta(ge=1, le=LARGEST_DAYS, description="a whole number of days, 1 or more")]
DaysSpread = Annotated[float, Meta(ge=0, le=LARGEST_DAYS, description="a number of days, 0 or more")]
Amount = Annotated[float, Meta(ge=0, le=1e12, description="a number, 0 or more")]
Share = Annotated[float, Meta(gt=0, lt=1, description="a number between 0 and 1, both excluded")]
Money = Annotated[Decimal, Meta(description="an amount of money, 0 or more, at most 6 decimals")]
Day = Annotated[date, Meta(description="a date like 2017-04-30")]
Flag = Annotated[bool, Meta(description="true or false")]
Codes = Annotated[list[Code], Meta(description="codes joined by |, each once")]

Policy = Annotated[
    Literal["corrective", "predetermined", "opportunistic"],
    Meta(description="corrective, predetermined or opportunistic"),
]
Consequence = Annotated[Literal["stops", "curtails", "tolerable"], Meta(description="stops, curtails or tolerable")]
Action = Annotated[
    Literal["rebuild", "exchange", "inspect", "reclassify"],
    Meta(description="rebuild, exchange, inspect or reclassify"),
]
Reason = Annotated[Literal["failure", "condition", "planned"], Meta(description="failure, condition or planned")]
StockRule = Annotated[
    Literal["cycle_service_level", "fill_rate", "least_cost"],
    Meta(description="cycle_service_level, fill_rate or least_cost"),
]
AsFound = Annotated[
    dict[Code, Literal["ok", "worn", "failed"]],
    Meta(description="items and how each was found (ok, worn, failed), like trim:failed|packing:ok"),
]
KitsUsed = Annotated[dict[Code, Quantity], Meta(description="kits and how many of each, like K-100:1|K-200:2")]
LastRenewals = Annotated[
    dict[Annotated[str, Meta(pattern=_CODE_OR_NOTHING)], Day],
    Meta(description="a date, or items and dates like packing:2015-04-01|trim:2012-06-30"),
]
EVERY_ITEM = ""  # the key in `last_renewed_on` of a date given for the whole valve


def check_money(amount: Decimal | None) -> None:
    """Refuse what `Money` does not allow; the decoder itself can't bound a decimal.

    Parameters
    ----------
    amount : Decimal or None [currency of the database]
        None is an amount that is not known.

    Raises
    ------
    ValueError
        If it is negative, not a number, too large, or finer than 6 decimals.
    """
    if amount is None:
        return
    exponent = amount.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < -MONEY_DECIMALS or not 0 <= amount <= LARGEST_MONEY:
        raise ValueError(f"Expected an amount of money, 0 or more, at most 6 decimals, got {amount}")


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


class DesignKitRecord(Record, frozen=True, kw_only=True):
    """Which kit renews an item of a design; an empty quantity is one."""

    design: Code
    maintainable_item: Code
    kit: Code | None = None
    qty: Quantity | None = None
    on_opening: Flag | None = None


class ValveRecord(Record, frozen=True, kw_only=True):
    """A place in the plant with a control valve in it."""

    tag: Code
    serial: Name | None = None
    design: Code | None = None
    service_class: Code | None = None
    area: Code | None = None
    installed_on: Day | None = None
    records_begin_on: Day | None = None
    last_renewed_on: LastRenewals = field(default_factory=dict)
    removed_on: Day | None = None
    consequence: Consequence | None = None
    safety_related: Flag | None = None
    isolable_on_run: Flag | None = None
    proof_test_due_on: Day | None = None


class EventRecord(Record, frozen=True, kw_only=True):
    """Something done to a valve: facts and dates."""

    ref: Code | None = None
    tag: Code
    found_on: Day | None = None
    done_on: Day
    action: Action
    reason: Reason | None = None
    turnaround: Code | None = None
    as_found: AsFound = field(default_factory=dict)
    failure_mode: Name | None = None
    last_ok_on: Day | None = None
    renewed: Codes = field(default_factory=list)
    kits_used: KitsUsed = field(default_factory=dict)
    service_class_from: Code | None = None
    serial_fitted: Name | None = None
    labour_hours: Amount | None = None
    cost: Money | None = None
    note: Text | None = None

    def __post_init__(self) -> None:
        """Check the cost."""
        check_money(self.cost)


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


class StockRecord(Record, frozen=True, kw_only=True):
    """How many of a kit lie in a storeroom, and when that was counted."""

    storeroom: Code
    kit: Code
    on_hand: Count
    counted_on: Day | None = None


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


RECORDS: dict[str, type[Record]] = {
    "areas": AreaRecord,
    "service_classes": ServiceClassRecord,
    "maintainable_items": MaintainableItemRecord,
    "policies": PolicyRecord,
    "designs": DesignRecord,
    "kits": KitRecord,
    "design_kits": DesignKitRecord,
    "valves": ValveRecord,
    "events": EventRecord,
    "storerooms": StoreroomRecord,
    "stock_settings": StockSettingRecord,
    "stock": StockRecord,
    "orders": OrderRecord,
}
