"""Storerooms, how low a kit may run in each, what lies there, and what is on order."""

from datetime import date

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import CODE_LENGTH, at_least, code_key_type, known_word, valid_code

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


class Stock(SQLModel, table=True):
    """How many of a kit lie in a storeroom."""

    __tablename__ = "stock"
    __table_args__ = (UniqueConstraint("storeroom_id", "kit_id"), at_least("on_hand", 0))

    id: int | None = Field(default=None, primary_key=True)
    storeroom_id: int = Field(foreign_key="storerooms.id")
    kit_id: int = Field(foreign_key="kits.id", index=True)
    on_hand: int
    counted_on: date | None = None


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
