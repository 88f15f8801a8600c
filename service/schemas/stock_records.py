"""The files about stock on the wire: storerooms, levels, what lies there, what is ordered, reserved and was issued."""

from service.schemas.columns import (
    Bin,
    Code,
    Consequence,
    Count,
    Day,
    Days,
    Issued,
    Money,
    Name,
    Quantity,
    Reason,
    Share,
    StockRule,
    check_issued,
    check_money,
)
from service.schemas.record import Record


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
    """How many of a kit lie in a storeroom, in which bin, and when that was counted."""

    storeroom: Code
    kit: Code
    on_hand: Count
    counted_on: Day | None = None
    bin: Bin | None = None


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
