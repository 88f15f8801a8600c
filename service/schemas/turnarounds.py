"""What a run plans for a turnaround: scope, budget and kits, as stored and as they leave; money is exact.

The order of the fields is the order of the CSV columns.
"""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import Details


class ScopeValveOut(Struct, kw_only=True):
    """A valve in a turnaround: opened or not, what for, why, and what that saves over the other choice.

    `chance_of_failure` is of any of its items before the next window, if none is renewed in this one. Of a valve that
    isn't opened, cost, hours and saving are those of the best work it could be opened for.
    """

    rank: int
    tag: str
    decision: str
    opened_for: str
    reason: str
    chance_of_failure: float | None
    saves: Decimal | None
    cost: Decimal | None
    hours: float | None
    kits: str
    safety_related: bool | None
    scope_line: str | None
    decided_by: str | None
    consequence: str
    isolable_on_run: bool | None
    proof_test_due_on: date | None
    area: str
    design: str
    service_class: str
    next_window_on: date
    details: Details


class BudgetLineOut(Struct, kw_only=True):
    """A line of a budget, or the total: what is expected, and what it stays below with a chance of 10 % to 90 %.

    Lines don't add up at any of these chances; means do.
    """

    line: str
    mean: Decimal
    p10: Decimal
    p50: Decimal
    p80: Decimal
    p90: Decimal
    what: str


class BudgetValveOut(Struct, kw_only=True):
    """What is expected of one valve, line by line; over all valves it sums to the means of the lines."""

    tag: str
    planned: Decimal
    until_freeze: Decimal
    emergent: Decimal
    discovery: Decimal


class CashOut(Struct, kw_only=True):
    """What is due on a day; over all rows it sums to the mean of the total, without prices and hours."""

    due_on: date
    what: str
    kit: str | None
    qty: int | None
    unit_cost: Decimal | None
    amount: Decimal


class PriceOut(Struct, kw_only=True):
    """A price that the budget rests on."""

    kit: str
    unit_cost: Decimal
    priced_on: date | None


class PlannedModelOut(Struct, kw_only=True):
    """A failure-interval model that the budget rests on."""

    service_class: str
    maintainable_item: str
    family: str
    scale_days: float
    shape: float
    source: str


class FindOut(Struct, kw_only=True):
    """How often an item was found worn or failed in a valve opened for something else, and is expected to be.

    `chance` holds where nobody wrote how it was found the time before.
    """

    service_class: str
    maintainable_item: str
    openings: int
    found: int
    chance: float


class BasisOut(Struct, kw_only=True):
    """What a budget rests on."""

    as_of: date
    method: str
    models: Sequence[PlannedModelOut]
    prices: Sequence[PriceOut]
    assumptions: Sequence[str]
    exclusions: Sequence[str]
    conventions: Sequence[str] = ()  # runs of earlier versions stored neither
    finds: Sequence[FindOut] = ()


class BasisRowOut(Struct, kw_only=True):
    """One thing a budget rests on: part of its basis, of what, and in words."""

    part: str
    of: str | None
    said: str


class BudgetOut(Struct, kw_only=True):
    """The budget of a turnaround: base estimate, what may come on top, contingency, cash, and what it rests on.

    `contingency` is what the total, price and hours uncertainty included, stays below with a chance of
    `contingency_percentile` per cent, less the base estimate.
    """

    turnaround: str
    name: str | None
    starts_on: date
    ends_on: date
    scope_freeze_on: date | None
    as_of: date
    base_estimate: Decimal
    contingency_percentile: int
    contingency: Decimal
    price_and_hours_change: Decimal
    lines: Sequence[BudgetLineOut]
    cash: Sequence[CashOut]
    valves: Sequence[BudgetValveOut]
    basis: BasisOut
    percentiles: Sequence[Decimal]
    percentiles_without_prices: Sequence[Decimal]
    run: int | UnsetType = UNSET
    notice: str | UnsetType = UNSET


class TurnaroundKitOut(Struct, kw_only=True):
    """A kit for a turnaround: how many, what is there, what to order by when, and what it means if that is too late."""

    kit: str
    to_order: int
    order_by: date | None
    days_late: int
    planned_qty: int
    expected_extra: float
    p50: int
    p80: int
    p90: int
    wanted_qty: int
    available: int
    needed_on: date
    lead_time_days: float
    lead_time_sd_days: float
    arrives_in_time: float | None
    order_before_freeze: bool
    chance_used: float | None
    unit_cost: Decimal | None
    cost: Decimal | None
    surplus_cost: Decimal | None
    cancelling_cost: Decimal | None = None
    expediting_cost: Decimal | None = None
    expedited_there_on: date | None = None
    reason: str
    details: Details


class StagedKitOut(Struct, kw_only=True):
    """A kit to lay out for a valve; `expected_extra` more of it are expected, with what may be found or wait."""

    tag: str
    kit: str
    qty: int
    expected_extra: float
    opened_for: str


class LimitOut(Struct, kw_only=True):
    """A limit of a turnaround, and what the best scope would save more with one unit more of it."""

    limit: str
    at: float
    used: float
    unit: float
    worth: Decimal


class TurnaroundPlan(Struct, kw_only=True):
    """Everything a run plans for a turnaround, as stored."""

    code: str
    scope: list[ScopeValveOut]
    budget: BudgetOut
    kits: list[TurnaroundKitOut]
    staging: list[StagedKitOut]
    limits: list[LimitOut]


class PlannedKits(Struct, kw_only=True):
    """The kits alone of what a run plans for a turnaround."""

    code: str
    kits: list[TurnaroundKitOut]


class TurnaroundQuestion(Struct, kw_only=True):
    """What a process of its own is asked: a turnaround of a finished run under limits."""

    run: int
    code: str
    budget: float | None = None
    hours: float | None = None
    valves: int | None = None


class TurnaroundAnswer(Struct, kw_only=True):
    """The plan, or why there is none."""

    plan: TurnaroundPlan | None = None
    infeasible: str = ""
