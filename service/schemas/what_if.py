"""A question about other times, targets, prices, policies, valves, and its answer beside what the run computed."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, structs

from service.schemas.columns import (
    LARGEST_DAYS,
    LARGEST_MONEY,
    Code,
    Consequence,
    Count,
    Day,
    Interval,
    Policy,
    Quantity,
    Share,
)

LONGEST = 730
LeadTime = Annotated[float, Meta(gt=0, le=LONGEST, description=f"a number of days above 0 and up to {LONGEST}")]
Spread = Annotated[float, Meta(ge=0, le=LONGEST, description=f"a number of days from 0 to {LONGEST}")]
Review = Annotated[float, Meta(ge=0, le=365, description="a number of days from 0 to 365")]
ShelfLife = Annotated[int, Meta(ge=1, le=LARGEST_DAYS, description="a whole number of days, 1 or more")]

Price = Annotated[Decimal, Meta(description="an amount of money above 0")]
MOST_VALVES = 1000
Valves = Annotated[int, Meta(ge=1, le=MOST_VALVES, description=f"a whole number from 1 to {MOST_VALVES}")]


def _is_price(amount: Decimal) -> bool:
    return amount.is_finite() and 0 < amount <= LARGEST_MONEY


class WhatIfPolicy(Struct, kw_only=True, forbid_unknown_fields=True):
    """Another maintenance policy of an item in a service class."""

    service_class: Code
    maintainable_item: Code
    policy: Policy
    interval_days: Interval | None = None

    def __post_init__(self) -> None:
        """Refuse a policy without the days it needs.

        Raises
        ------
        ValueError
            If days are missing, or stand beside corrective.
        """
        if (self.policy == "corrective") != (self.interval_days is None):
            raise ValueError("Expected interval_days with predetermined and opportunistic, none with corrective")


class WhatIfValves(Struct, kw_only=True, forbid_unknown_fields=True):
    """New valves that aren't in the record."""

    service_class: Code
    design: Code
    area: Code
    number: Valves
    installed_on: Day | None = None
    consequence: Consequence | None = None


class WhatIfRetirement(Struct, kw_only=True, forbid_unknown_fields=True):
    """A valve that goes."""

    tag: Code
    removed_on: Day | None = None


class WhatIfTurnaround(Struct, kw_only=True, forbid_unknown_fields=True):
    """A turnaround on other days."""

    turnaround: Code
    starts_on: Day
    ends_on: Day | None = None


class WhatIfRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """What would be otherwise, of one kit, of one storeroom, or of all; what is left out is as the run found it."""

    storeroom: Code | None = None
    kit: Code | None = None
    lead_time_days: LeadTime | None = None
    lead_time_sd_days: Spread | None = None
    review_period_days: Review | None = None
    rule: Literal["cycle_service_level", "fill_rate"] | None = None
    target: Share | None = None
    unit_cost: Price | None = None
    shelf_life_days: ShelfLife | None = None
    floor_qty: Count | None = None
    min_order_qty: Quantity | None = None
    pack_qty: Quantity | None = None
    policies: Sequence[WhatIfPolicy] = ()
    valves_added: Sequence[WhatIfValves] = ()
    valves_retired: Sequence[WhatIfRetirement] = ()
    turnarounds: Sequence[WhatIfTurnaround] = ()

    @property
    def needs_renewals(self) -> bool:
        """Whether renewals have to be counted anew."""
        return any((self.policies, self.valves_added, self.valves_retired, self.turnarounds))

    def __post_init__(self) -> None:
        """Refuse a question that changes nothing, and a price that is none.

        Raises
        ------
        ValueError
            If nothing is otherwise, or the price isn't positive.
        """
        said = {name for name, value in structs.asdict(self).items() if value not in (None, (), [])}
        said -= {"storeroom", "kit"}
        if not said:
            raise ValueError("Expected something that would be otherwise, such as lead_time_days or target")
        if self.unit_cost is not None and not _is_price(self.unit_cost):
            raise ValueError("Expected an amount of money above 0 in unit_cost")


class WhatIfLevels(Struct, kw_only=True):
    """What is decided about one kit in one storeroom."""

    reorder_point: int | None
    order_quantity: int | None
    protection_interval_days: float | None
    target: float | None
    cycle_service_level: float | None
    fill_rate: float | None
    position: int | None
    proposed_quantity: int | None
    order_by: date | None
    stock_out_on: date | None
    unit_cost: Decimal | None
    cost: Decimal | None
    stock_mean: float | None
    short_per_year: float | None
    cost_per_year: float | None
    order_expiring_mean: float | None
    reason: str | None


class WhatIfChange(Struct, kw_only=True):
    """What would be, less what the run computed."""

    reorder_point: int | None
    order_quantity: int | None
    protection_interval_days: float | None
    cycle_service_level: float | None
    fill_rate: float | None
    position: int | None
    proposed_quantity: int | None
    cost: Decimal | None
    stock_mean: float | None
    short_per_year: float | None
    cost_per_year: float | None
    order_expiring_mean: float | None


class WhatIfRow(Struct, kw_only=True):
    """One kit in one storeroom, as the run computed it and as it would be."""

    storeroom: str
    kit: str
    computed: WhatIfLevels
    what_if: WhatIfLevels
    change: WhatIfChange


class WhatIfTotals(Struct, kw_only=True):
    """All kits of the answer together."""

    lines_to_order: int
    cost: Decimal
    stock_value: float
    short_per_year: float


class WhatIfNeed(Struct, kw_only=True):
    """Demand in some days, or how much it changes."""

    mean: float
    p10: int
    p50: int
    p80: int
    p90: int
    p95: int
    unplanned_mean: float
    planned_mean: float
    turnaround_mean: float


class WhatIfDemand(Struct, kw_only=True):
    """What valves need of a kit in a year, by the record as it is and as it would be, turnarounds included."""

    kit: str
    starts_on: date
    ends_on: date
    computed: WhatIfNeed
    what_if: WhatIfNeed
    change: WhatIfNeed
    reason: str | None


class WhatIfOrder(Struct, kw_only=True):
    """What a turnaround would want ordered of a kit; nothing where it isn't planned, or takes none."""

    needed_on: date | None = None
    wanted_qty: int | None = None
    available: int | None = None
    to_order: int | None = None
    order_by: date | None = None
    days_late: int | None = None
    cost: Decimal | None = None


class WhatIfTurnaroundKit(Struct, kw_only=True):
    """A kit for a turnaround, as the run planned it and as it would be planned."""

    turnaround: str
    kit: str
    computed: WhatIfOrder
    what_if: WhatIfOrder


class Misfit(Struct, kw_only=True):
    """What of a question doesn't fit the record that the run read."""

    pointer: str
    value: str
    expected: str


class FleetQuestion(Struct, kw_only=True):
    """What a process of its own is asked: a question about policies, valves or turnarounds, of a finished run."""

    run: int
    wanted: WhatIfRequest


class FleetRow(Struct, kw_only=True):
    """One kit in one storeroom as it would be; `decided`: there is something to decide it by."""

    storeroom: str
    kit: str
    decided: bool
    what_if: WhatIfLevels


class FleetAnswer(Struct, kw_only=True):
    """Decisions and demand; or what doesn't fit, or can't be decided that way."""

    rows: Sequence[FleetRow] = ()
    demand: Sequence[WhatIfDemand] = ()
    turnaround_kits: Sequence[WhatIfTurnaroundKit] = ()
    misfits: Sequence[Misfit] = ()
    undecided: str = ""


class WhatIfOut(Struct, kw_only=True):
    """The answer; nothing of it is stored.

    `turnaround_kits` are told where turnarounds are on other days: of every turnaround to come, since what the earlier
    one takes isn't there for the later.
    """

    value: Sequence[WhatIfRow]
    demand: Sequence[WhatIfDemand] = ()
    turnaround_kits: Sequence[WhatIfTurnaroundKit] = ()
    total_computed: WhatIfTotals
    total_what_if: WhatIfTotals
    total_change: WhatIfTotals
    run: int
    as_of: date
    method: str | None
    notice: str | UnsetType = UNSET
