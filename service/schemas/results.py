"""What a finished run says, as it leaves: the columns other programs may rely on first, then further ones.

The order of the fields is the order of the CSV columns.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Generic, TypeVar

import msgspec
from msgspec import UNSET, Struct, UnsetType

Details = dict[str, object]

SIGNIFICANT_DIGITS = 6
JSON_ONLY = frozenset({
    *("details", "counts", "probabilities", "notice", "last_backtest"),
    *("subjects", "key", "before", "after", "progress", "stage_seconds"),
})

CAUTIONS = (
    "Prove isolation and zero pressure on both sides, and again if it can build up.",
    "Release actuator spring load the maker's way. Never exceed the actuator's rated air pressure.",
    "Treat residues as hazardous; clean before the shop.",
    "Check seals for material and cure date. Old gaskets and packing are not reused because a kit is missing.",
    "A forecast never overrides a leak, an alarm or a proof-test date. "
    "Local codes, permits and licensed practice decide.",
)


class Limits(Struct, frozen=True, kw_only=True):
    """Both ends of an interval, as stored."""

    lower: float | None = None
    upper: float | None = None


class StoredIntervals(Struct, kw_only=True):
    """How sure the parameters of a class's own fit are, as stored."""

    method: str | None = None
    level: float | None = None
    scale_days: Limits = Limits()
    shape: Limits = Limits()


class FailureModelOut(Struct, kw_only=True):
    """How long an item lasts in a service class, and how that is known."""

    service_class: str
    maintainable_item: str
    family: str | None
    scale_days: float | None
    shape: float | None
    mle_scale_days: float | None
    mle_shape: float | None
    failures: int
    lives: int
    mean_days: float | None
    b10_days: float | None
    pool_share: float | None
    status: str
    reason: str | None
    method: str
    interval_level: float | None
    mle_scale_days_lower: float | None
    mle_scale_days_upper: float | None
    mle_shape_lower: float | None
    mle_shape_upper: float | None
    details: Details
    notice: str | UnsetType = UNSET


class DemandOut(Struct, kw_only=True):
    """How many of a kit will be needed in a period, both dates inclusive."""

    kit: str
    starts_on: date
    ends_on: date
    mean: float | None
    p10: int | None
    p50: int | None
    p80: int | None
    p90: int | None
    p95: int | None
    unplanned_mean: float | None
    planned_mean: float | None
    turnaround_mean: float | None
    area: str
    bucket: str
    status: str
    reason: str | None
    method: str
    storeroom: str
    service_class: str
    details: Details
    probabilities: Sequence[float] | None | UnsetType = UNSET


class ChangeOut(Struct, kw_only=True):
    """Kits expected in the days from a run's as_of on, and what made them others than in the run before."""

    storeroom: str
    kit: str
    days: float
    before: float
    record_corrections: float
    time_passing: float
    new_events: float
    new_model: float
    after: float
    since_run: int
    since_as_of: date
    details: Details


class ReorderPointOut(Struct, kw_only=True):
    """How low a kit may run in a storeroom, and how many to order then."""

    storeroom: str
    kit: str
    reorder_point: int | None
    order_quantity: int | None
    protection_interval_days: float | None
    target: float | None
    cycle_service_level: float | None
    fill_rate: float | None
    present_reorder_point: int | None
    rule: str | None
    position: int | None
    proposed_quantity: int | None
    order_by: date | None
    unit_cost: Decimal | None
    cost: Decimal | None
    status: str
    reason: str | None
    method: str
    details: Details
    notice: str | UnsetType = UNSET


class OrderLineOut(Struct, kw_only=True):
    """What to order, or which order to chase; `order_quantity` is how many to order now.

    `position` is `usable_on_hand` - `unfilled` - `reserved` + `on_order_counted` + `accepted_qty`. `action` is one or
    more of order, accepted_not_ordered, declined, chase_overdue; `elsewhere` what other storerooms have, as
    STOREROOM:kits. What was accepted of this run's proposal since is `accepted_qty`, and isn't to be ordered again.

    A line with a `turnaround` is what its plan wants ordered beyond the running need: it has no position and no level.
    It is accepted by itself; `accepted_qty` and `overdue_qty` are of what was accepted for that turnaround, which the
    running lines don't count. `storeroom` is the first of those that serve its valves.
    """

    storeroom: str
    kit: str
    position: int | None
    reorder_point: int | None
    order_quantity: int | None
    order_by: date | None
    cost: Decimal | None
    reason: str | None
    overdue_qty: int
    unit_cost: Decimal | None
    status: str
    method: str
    action: str
    present_reorder_point: int | None
    usable_on_hand: int | None
    unfilled: int | None
    reserved: int | None
    on_order_counted: int | None
    on_order_late: int | None
    accepted_qty: int
    stock_out_on: date | None
    elsewhere: str | None
    turnaround: str | None


class KitNeedOut(Struct, kw_only=True):
    """The chance that a valve needs a kit within 30, 90 and 365 days, and before the next turnaround of its area."""

    tag: str
    kit: str
    maintainable_item: str
    p_30: float | None
    p_90: float | None
    p_365: float | None
    mean_protection: float | None
    mean_365: float | None
    service_class: str
    storeroom: str
    age_days: float | None
    policy: str
    method: str
    p_before_turnaround: float | None
    next_turnaround_on: date | None
    details: Details


Row = TypeVar("Row", bound=Struct)


class Page(Struct, Generic[Row], kw_only=True):
    """A part of a list; `@odata.nextLink`, relative to this server, leads to the next part."""

    value: Sequence[Row]
    next_link: str | UnsetType = msgspec.field(default=UNSET, name="@odata.nextLink")
    run: int | UnsetType = UNSET
    as_of: date | UnsetType = UNSET
    method: str | UnsetType = UNSET
    cautions: Sequence[str] | UnsetType = UNSET
    last_backtest: str | UnsetType = UNSET
    notice: str | UnsetType = UNSET


def published(value: object) -> object:
    """Round every measured number in a value as it is published: to 6 significant digits.

    Parameters
    ----------
    value : object
        A number, a text, or lists and mappings of them.

    Returns
    -------
    object
        The same with its floating-point numbers rounded; counts, dates and money as they were.

    Examples
    --------
    >>> published({"mean": 1 / 3, "failures": 7, "p": [2 / 3]})
    {'mean': 0.333333, 'failures': 7, 'p': [0.666667]}
    """
    if isinstance(value, float):
        return rounded(value)
    if isinstance(value, Mapping):
        return {key: published(item) for key, item in value.items()}
    if isinstance(value, list):
        return [published(item) for item in value]
    return value


def rounded(value: float) -> float:
    """Round a measured number as it is published.

    Parameters
    ----------
    value : float
        In any unit.

    Returns
    -------
    float
        With 6 significant digits.
    """
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}")


def from_row(shape: type[Row], row: object, **more: object) -> Row:
    """Shape a stored result for the way out.

    Parameters
    ----------
    shape : type
        What leaves.
    row : object
        A stored row with attributes of the same names.
    **more : object
        Fields the row does not have, or has otherwise.

    Returns
    -------
    Struct
        An instance of the shape.
    """
    fields = {name: getattr(row, name) for name in shape.__struct_fields__ if hasattr(row, name)}
    return shape(**{name: published(value) for name, value in (fields | more).items()})


def limit_columns(details: Mapping[str, object]) -> dict[str, float | None]:
    """Take the limits of a failure model's parameters out of what its run stored of their intervals.

    Parameters
    ----------
    details : mapping
        Of the model; one of an earlier version has no intervals.

    Returns
    -------
    dict
        Columns of FailureModelOut, None where there is no limit.
    """
    stored = msgspec.convert(details.get("intervals", {}), StoredIntervals)
    known = stored.method is not None
    return {
        "interval_level": stored.level if known else None,
        "mle_scale_days_lower": stored.scale_days.lower,
        "mle_scale_days_upper": stored.scale_days.upper,
        "mle_shape_lower": stored.shape.lower,
        "mle_shape_upper": stored.shape.upper,
    }


def columns_of(shape: type[Struct]) -> tuple[str, ...]:
    """Name the columns a list has as CSV.

    Parameters
    ----------
    shape : type
        A row of the list.

    Returns
    -------
    tuple of str
        The fields in order, without those that exist in JSON only.
    """
    return tuple(name for name in shape.__struct_fields__ if name not in JSON_ONLY)
