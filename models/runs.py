"""Runs of the forecast and what they found.

Results keep codes as they were given and no references to the record: they outlive it.
A `_key` column holds what the code beside it is compared by. Texts in `details` explain, they are not searched.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, LargeBinary, Text, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, ExactDecimal, UtcTimestamp, code_key_type

OPEN_STATUSES = ("queued", "running")
RUN_STATUSES = (*OPEN_STATUSES, "finished", "failed", "cancelled")
STAGES = ("reading", "forecasting", "explaining", "storing")
BUCKETS = ("week", "month", "quarter", "year", "protection_interval", "until_turnaround", "in_turnaround")


def _one_of(column: str, values: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(value) for value in values)})"


def _run_id() -> Any:
    return Field(sa_column_args=[ForeignKey("runs.id", ondelete="CASCADE")])


def _key() -> Any:
    return Field(sa_type=code_key_type())


def _details() -> Any:
    return Field(default_factory=dict, sa_type=JSON_DOCUMENT)


class Run(SQLModel, table=True):
    """One execution of the forecast job; `open_slot` is 1 while it is queued or running, so one is at a time."""

    __tablename__ = "runs"
    __table_args__ = (
        CheckConstraint(_one_of("status", RUN_STATUSES), name="status_known"),
        CheckConstraint(f"({_one_of('status', OPEN_STATUSES)}) = (open_slot IS NOT NULL)", name="open_slot_while_open"),
        CheckConstraint("open_slot = 1", name="open_slot_is_one"),
        CheckConstraint(
            "status <> 'finished' OR (input_digest IS NOT NULL AND finished_at IS NOT NULL)",
            name="finished_is_complete",
        ),
        UniqueConstraint("open_slot"),
    )

    id: int = Field(default=None, primary_key=True)
    as_of: date
    status: str = Field(default="queued", max_length=10)
    open_slot: int | None = 1
    requested_at: datetime = Field(sa_type=UtcTimestamp)
    started_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    finished_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    input_digest: str | None = Field(default=None, max_length=64)
    code_version: str
    horizon_ends_on: date | None = None
    method: str | None = None
    error: str | None = Field(default=None, sa_type=Text)
    host: str | None = None
    pid: int | None = None
    lease_ends_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    stage: str | None = Field(default=None, max_length=20)
    stage_began_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    stage_seconds: dict[str, Any] | None = Field(default=None, sa_type=JSON_DOCUMENT)
    counts: dict[str, Any] = _details()


class RunFailureModel(SQLModel, table=True):
    """How long an item lasts in a service class."""

    __tablename__ = "run_failure_models"
    __table_args__ = (
        UniqueConstraint(
            "run_id", "service_class_key", "maintainable_item_key", name="uq_run_failure_models_class_item"
        ),
        CheckConstraint("failures >= 0 AND lives >= 0", name="counts_not_negative"),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    service_class: str
    service_class_key: str = _key()
    maintainable_item: str
    maintainable_item_key: str = _key()
    family: str | None = None
    scale_days: float | None = None
    shape: float | None = None
    mle_scale_days: float | None = None
    mle_shape: float | None = None
    failures: int
    lives: int
    mean_days: float | None = None
    b10_days: float | None = None
    pool_share: float | None = None
    status: str
    reason: str | None = Field(default=None, sa_type=Text)
    details: dict[str, Any] = _details()


class RunDemand(SQLModel, table=True):
    """Demand for a kit in a period, both dates inclusive: of an area, a storeroom or a service class.

    Those it isn't of are ''; all three are where it is of the whole plant.
    """

    __tablename__ = "run_demand"
    __table_args__ = (
        CheckConstraint(_one_of("bucket", BUCKETS), name="bucket_known"),
        CheckConstraint("starts_on <= ends_on", name="period_in_order"),
        UniqueConstraint(
            *("run_id", "area_key", "storeroom_key", "service_class_key", "kit_key", "bucket", "starts_on", "ends_on"),
            name="uq_run_demand_whose_kit_and_period",
        ),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    area: str
    area_key: str = _key()
    storeroom: str = ""
    storeroom_key: str = _key()
    service_class: str = ""
    service_class_key: str = _key()
    kit: str
    kit_key: str = _key()
    bucket: str = Field(max_length=20)
    starts_on: date
    ends_on: date
    mean: float | None = None
    p10: int | None = None
    p50: int | None = None
    p80: int | None = None
    p90: int | None = None
    p95: int | None = None
    unplanned_mean: float | None = None
    planned_mean: float | None = None
    turnaround_mean: float | None = None
    status: str
    reason: str | None = Field(default=None, sa_type=Text)
    probabilities: list[float] | None = Field(default=None, sa_type=JSON_DOCUMENT)
    details: dict[str, Any] = _details()


class RunReorderPoint(SQLModel, table=True):
    """How low a kit may run in a storeroom; null is a number that can't be known, `reason` says why."""

    __tablename__ = "run_reorder_points"
    __table_args__ = (
        UniqueConstraint("run_id", "storeroom_key", "kit_key"),
        CheckConstraint("proposed_quantity >= 0", name="proposal_not_negative"),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    storeroom: str
    storeroom_key: str = _key()
    kit: str
    kit_key: str = _key()
    reorder_point: int | None = None
    order_quantity: int | None = None
    protection_interval_days: float | None = None
    target: float | None = None
    cycle_service_level: float | None = None
    fill_rate: float | None = None
    present_reorder_point: int | None = None
    rule: str | None = None
    position: int | None = None
    proposed_quantity: int | None = None
    order_by: date | None = None
    unit_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    reason: str | None = Field(default=None, sa_type=Text)
    status: str
    details: dict[str, Any] = _details()


class RunNeed(SQLModel, table=True):
    """What one item of one valve may take of one kit."""

    __tablename__ = "run_needs"
    __table_args__ = (
        Index(None, "run_id", "tag_key"),
        Index(None, "run_id", "storeroom_key", "kit_key"),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    storeroom: str
    storeroom_key: str = _key()
    kit: str
    kit_key: str = _key()
    tag: str
    tag_key: str = _key()
    maintainable_item: str
    service_class: str
    age_days: float | None = None
    policy: str
    p_30: float | None = None
    p_90: float | None = None
    p_365: float | None = None
    mean_protection: float | None = None
    mean_365: float | None = None
    details: dict[str, Any] = _details()


class RunChange(SQLModel, table=True):
    """What changed since the run before: kits expected in the days from as_of on, and how they became others.

    The storeroom is '' for the whole plant. The four parts sum to after - before.
    """

    __tablename__ = "run_changes"
    __table_args__ = (UniqueConstraint("run_id", "storeroom_key", "kit_key"),)

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    since_run: int
    since_as_of: date
    storeroom: str
    storeroom_key: str = _key()
    kit: str
    kit_key: str = _key()
    days: float
    before: float
    record_corrections: float
    time_passing: float
    new_events: float
    new_model: float
    after: float
    details: dict[str, Any] = _details()


class RunInput(SQLModel, table=True):
    """The record as a run read it, compressed; runs that read the same share it."""

    __tablename__ = "run_inputs"

    digest: str = Field(primary_key=True, max_length=64)
    content: bytes = Field(sa_type=LargeBinary)


class RunStockCases(SQLModel, table=True):
    """Stock questions as a run asked them, with demand from now on, compressed."""

    __tablename__ = "run_stock_cases"

    run_id: int = Field(sa_column_args=[ForeignKey("runs.id", ondelete="CASCADE")], primary_key=True)
    content: bytes = Field(sa_type=LargeBinary)


class RunFinding(SQLModel, table=True):
    """What in the record can't be true or can't be used, as the run met it."""

    __tablename__ = "run_findings"
    __table_args__ = (Index(None, "run_id"),)

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    kind: str
    file: str | None = None
    record_key: str | None = None
    detail: str = Field(sa_type=Text)
    treatment: str | None = Field(default=None, sa_type=Text)
    effect: str | None = Field(default=None, sa_type=Text)
    identity: str | None = Field(default=None, max_length=64)
    tag: str | None = Field(default=None, max_length=60)
    lives_lost: int | None = None
    scale_change: float | None = None
    kits_per_year_change: float | None = None
    effect_reason: str | None = Field(default=None, sa_type=Text)
    details: dict[str, Any] = _details()


class RunTurnaround(SQLModel, table=True):
    """What a run plans for a turnaround: scope, budget, kits; one document, compressed."""

    __tablename__ = "run_turnarounds"
    __table_args__ = (UniqueConstraint("run_id", "code_key"),)

    id: int = Field(default=None, primary_key=True)
    run_id: int = _run_id()
    code: str
    code_key: str = _key()
    content: bytes = Field(sa_type=LargeBinary)


class DatabaseFact(SQLModel, table=True):
    """What is true of the whole database, such as that its plant is invented."""

    __tablename__ = "database_facts"

    name: str = Field(primary_key=True)
    value: str = Field(sa_type=Text)
