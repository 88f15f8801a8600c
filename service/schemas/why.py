"""Why a reorder point is what it is, as it leaves."""

from collections.abc import Sequence
from datetime import date

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import CAUTIONS, ChangeOut


class WhyValveOut(Struct, kw_only=True):
    """A valve that may need the kit."""

    tag: str
    maintainable_item: str
    service_class: str
    age_days: float | None
    policy: str
    p_90: float | None
    p_365: float | None
    expected_in_protection_interval: float | None


class WhyModelOut(Struct, kw_only=True):
    """The model that says how long the items last whose ends take the kit."""

    service_class: str
    maintainable_item: str
    status: str
    reason: str | None
    family: str | None
    mean_days: float | None
    failures: int


class WhyTargetOut(Struct, kw_only=True):
    """What the stock is meant to achieve, and who said so."""

    rule: str | None
    target: float | None
    source: str | None
    consequence: str | None


class WhyPositionOut(Struct, kw_only=True):
    """How the stock position is made up."""

    position: int | None
    on_hand: float | None
    expired: float | None
    unfilled: float | None
    reserved: float | None
    on_order_counted: float | None
    on_order_late: float | None
    overdue_qty: float | None


class WhyOut(Struct, kw_only=True):
    """Why a reorder point is what it is."""

    storeroom: str
    kit: str
    sentence: str
    reorder_point: int | None
    simple_bound_reorder_point: int | None
    floor_qty: int | None
    present_reorder_point: int | None
    order_quantity: int | None
    proposed_quantity: int | None
    order_by: date | None
    lead_time_days: float | None
    lead_time_over_history: float | None
    review_period_days: float | None
    protection_interval_days: float | None
    demand_mean: float | None
    target: WhyTargetOut
    position: WhyPositionOut
    valves: Sequence[WhyValveOut]
    valves_left_out: int
    models: Sequence[WhyModelOut]
    change: ChangeOut | None
    warnings: Sequence[str]
    run: int
    as_of: date
    method: str
    cautions: Sequence[str] = CAUTIONS
    notice: str | UnsetType = UNSET
