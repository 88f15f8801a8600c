"""Storerooms, how low a kit may run in each, what lies there, what is on order, reserved and was issued."""

from datetime import date
from decimal import Decimal

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import CODE_LENGTH, ExactDecimal, at_least, code_key_type, known_word, valid_code
from models.events import REASONS
from models.register import CONSEQUENCES

STOCK_RULES = ("cycle_service_level", "fill_rate", "least_cost")


class Storeroom(SQLModel, table=True):
    """Where kits are kept."""

    __tablename__ = "storerooms"
    __table_args__ = (valid_code("code"), at_least("review_period_days", 0))

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    review_period_days: int | None = None
    described: bool


class StockSetting(SQLModel, table=True):
    """How low a kit may run in a storeroom, and the levels in use today."""

    __tablename__ = "stock_settings"
    __table_args__ = (
        UniqueConstraint("storeroom_id", "kit_id"),
        known_word("rule", STOCK_RULES),
        CheckConstraint("target > 0 AND target < 1", name="target_is_a_share"),
        at_least("floor_qty", 0),
        at_least("present_reorder_point", 0),
        at_least("present_order_quantity", 0),
    )

    id: int | None = Field(default=None, primary_key=True)
    storeroom_id: int = Field(foreign_key="storerooms.id")
    kit_id: int = Field(foreign_key="kits.id", index=True)
    rule: str | None = Field(default=None, max_length=20)
    target: float | None = None
    floor_qty: int | None = None
    present_reorder_point: int | None = None
    present_order_quantity: int | None = None


class ConsequenceTarget(SQLModel, table=True):
    """How low kits may run that serve valves of a consequence, and what such a failure costs."""

    __tablename__ = "consequence_targets"
    __table_args__ = (
        known_word("consequence", CONSEQUENCES),
        known_word("rule", STOCK_RULES),
        CheckConstraint("target > 0 AND target < 1", name="target_is_a_share"),
        at_least("cost_of_failure", 0),
    )

    id: int | None = Field(default=None, primary_key=True)
    consequence: str = Field(max_length=20, unique=True)
    rule: str | None = Field(default=None, max_length=20)
    target: float | None = None
    cost_of_failure: Decimal | None = Field(default=None, sa_type=ExactDecimal)


class Stock(SQLModel, table=True):
    """How many of a kit lie in a storeroom."""

    __tablename__ = "stock"
    __table_args__ = (UniqueConstraint("storeroom_id", "kit_id"), at_least("on_hand", 0))

    id: int | None = Field(default=None, primary_key=True)
    storeroom_id: int = Field(foreign_key="storerooms.id")
    kit_id: int = Field(foreign_key="kits.id", index=True)
    on_hand: int
    counted_on: date | None = None
    bin: str | None = Field(default=None, max_length=60)


class Lot(SQLModel, table=True):
    """Kits in a storeroom that came together and expire together."""

    __tablename__ = "lots"
    __table_args__ = (
        UniqueConstraint("storeroom_id", "kit_id", "lot_key"),
        valid_code("lot"),
        CheckConstraint("expires_on >= cured_on", name="expires_after_cured"),
        at_least("qty", 0),
    )

    id: int | None = Field(default=None, primary_key=True)
    storeroom_id: int = Field(foreign_key="storerooms.id")
    kit_id: int = Field(foreign_key="kits.id", index=True)
    lot: str = Field(max_length=CODE_LENGTH)
    lot_key: str = Field(sa_type=code_key_type())
    cured_on: date | None = None
    expires_on: date | None = None
    qty: int


class Order(SQLModel, table=True):
    """A line of a purchase order, open or received."""

    __tablename__ = "orders"
    __table_args__ = (
        UniqueConstraint("ref_key", "line_key"),
        valid_code("ref"),
        valid_code("line"),
        at_least("qty", 1),
        at_least("received_qty", 0),
    )

    id: int | None = Field(default=None, primary_key=True)
    ref: str = Field(max_length=CODE_LENGTH)
    ref_key: str = Field(sa_type=code_key_type())
    line: str = Field(max_length=CODE_LENGTH)
    line_key: str = Field(sa_type=code_key_type())
    storeroom_id: int = Field(foreign_key="storerooms.id")
    kit_id: int = Field(foreign_key="kits.id", index=True)
    ordered_on: date | None = None
    due_on: date | None = None
    qty: int
    received_on: date | None = None
    received_qty: int | None = None


class Reservation(SQLModel, table=True):
    """Kits that somebody has asked to be kept for a day."""

    __tablename__ = "reservations"
    __table_args__ = (UniqueConstraint("ref_key", "kit_id"), valid_code("ref"), at_least("qty", 1))

    id: int | None = Field(default=None, primary_key=True)
    ref: str = Field(max_length=CODE_LENGTH)
    ref_key: str = Field(sa_type=code_key_type())
    kit_id: int = Field(foreign_key="kits.id", index=True)
    storeroom_id: int | None = Field(default=None, foreign_key="storerooms.id")
    qty: int
    needed_on: date | None = None
    turnaround_id: int | None = Field(default=None, foreign_key="turnarounds.id")
    valve_id: int | None = Field(default=None, foreign_key="valves.id", index=True)


class Issue(SQLModel, table=True):
    """Kits that left a shelf; a return is negative."""

    __tablename__ = "issues"
    __table_args__ = (
        UniqueConstraint("ref_key", "kit_id"),
        valid_code("ref"),
        known_word("reason", REASONS),
        CheckConstraint("qty <> 0", name="qty_is_something"),
    )

    id: int | None = Field(default=None, primary_key=True)
    ref: str = Field(max_length=CODE_LENGTH)
    ref_key: str = Field(sa_type=code_key_type())
    kit_id: int = Field(foreign_key="kits.id", index=True)
    storeroom_id: int | None = Field(default=None, foreign_key="storerooms.id")
    issued_on: date
    qty: int
    reason: str | None = Field(default=None, max_length=20)
    valve_id: int | None = Field(default=None, foreign_key="valves.id", index=True)
