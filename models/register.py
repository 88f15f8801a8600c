"""The plant's register: areas, service classes, what wears, policies, designs and valves."""

from datetime import date
from decimal import Decimal

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlmodel import Field, SQLModel, text

from models.base import CODE_LENGTH, ExactDecimal, at_least, code_key_type, known_word, valid_code
from models.partial_days import partial_day_type, partly_in_order, valid_partial_day

POLICIES = ("corrective", "predetermined", "opportunistic")
LEAKAGE_CLASSES = ("I", "II", "III", "IV", "V", "VI")
CONSEQUENCES = ("stops", "curtails", "tolerable")


class Area(SQLModel, table=True):
    """A process unit, served by one storeroom."""

    __tablename__ = "areas"
    __table_args__ = (valid_code("code"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    records_begin_on: date | None = None
    storeroom_id: int | None = Field(default=None, foreign_key="storerooms.id")
    described: bool


class ServiceClass(SQLModel, table=True):
    """Valves whose fluid and duty wear them alike."""

    __tablename__ = "service_classes"
    __table_args__ = (valid_code("code"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    description: str | None = None
    described: bool


class MaintainableItem(SQLModel, table=True):
    """What wears and is renewed as one."""

    __tablename__ = "maintainable_items"
    __table_args__ = (valid_code("code"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    described: bool


class Policy(SQLModel, table=True):
    """When an item is renewed in a service class."""

    __tablename__ = "policies"
    __table_args__ = (
        UniqueConstraint("service_class_id", "maintainable_item_id"),
        known_word("policy", POLICIES),
        CheckConstraint(
            "(policy = 'corrective' AND interval_days IS NULL)"
            " OR (policy <> 'corrective' AND interval_days IS NOT NULL AND interval_days > 0)",
            name="interval_days_where_due",
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    service_class_id: int = Field(foreign_key="service_classes.id")
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id")
    policy: str = Field(max_length=20)
    interval_days: int | None = None


class Design(SQLModel, table=True):
    """A valve design."""

    __tablename__ = "designs"
    __table_args__ = (
        valid_code("code"),
        known_word("leakage_class", LEAKAGE_CLASSES),
        *(at_least(column, 0) for column in ("actuator_air_limit_kpa", "seat_diameter_mm", "rated_capacity_kv")),
    )

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    body_size: str | None = Field(default=None, max_length=200)
    rating: str | None = Field(default=None, max_length=200)
    actuator_air_limit_kpa: float | None = None
    leakage_class: str | None = Field(default=None, max_length=3)
    seat_diameter_mm: float | None = None
    rated_capacity_kv: float | None = None
    described: bool


class RebuildCost(SQLModel, table=True):
    """What renewing an item of a design takes, planned and not, and what opening the valve adds."""

    __tablename__ = "rebuild_costs"
    __table_args__ = (
        UniqueConstraint("design_id", "maintainable_item_id"),
        *(at_least(column, 0) for column in ("planned_hours", "planned_cost", "unplanned_cost", "opening_hours")),
    )

    id: int | None = Field(default=None, primary_key=True)
    design_id: int = Field(foreign_key="designs.id")
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id")
    planned_hours: float | None = None
    planned_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    unplanned_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    opening_hours: float | None = None


class Valve(SQLModel, table=True):
    """A place in the plant with a control valve in it."""

    __tablename__ = "valves"
    __table_args__ = (
        valid_code("tag"),
        known_word("consequence", CONSEQUENCES),
        valid_partial_day("installed_on"),
        partly_in_order("installed_on", "CAST(removed_on AS VARCHAR(10))", name="removed_after_installed"),
    )

    id: int | None = Field(default=None, primary_key=True)
    tag: str = Field(max_length=CODE_LENGTH)
    tag_key: str = Field(sa_type=code_key_type(), unique=True)
    serial: str | None = Field(default=None, max_length=200)
    design_id: int | None = Field(default=None, foreign_key="designs.id", index=True)
    service_class_id: int | None = Field(default=None, foreign_key="service_classes.id", index=True)
    area_id: int | None = Field(default=None, foreign_key="areas.id", index=True)
    installed_on: str | None = Field(default=None, sa_type=partial_day_type())
    records_begin_on: date | None = None
    removed_on: date | None = None
    consequence: str | None = Field(default=None, max_length=20)
    safety_related: bool | None = None
    isolable_on_run: bool | None = None
    proof_test_due_on: date | None = None


class ValveLastRenewal(SQLModel, table=True):
    """A last renewal stated with the valve; without an item it is that of every item not named."""

    __tablename__ = "valve_last_renewals"
    __table_args__ = (
        UniqueConstraint("valve_id", "maintainable_item_id"),
        valid_partial_day("renewed_on"),
        Index(
            "ix_valve_last_renewals_every_item",
            "valve_id",
            unique=True,
            sqlite_where=text("maintainable_item_id IS NULL"),
            postgresql_where=text("maintainable_item_id IS NULL"),
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    valve_id: int = Field(foreign_key="valves.id", ondelete="CASCADE")
    maintainable_item_id: int | None = Field(default=None, foreign_key="maintainable_items.id")
    renewed_on: str = Field(sa_type=partial_day_type())
