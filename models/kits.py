"""Rebuild kits, what each renews and is made of, and which design takes which."""

from datetime import date
from decimal import Decimal

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import (
    CODE_LENGTH,
    UNLIMITED,
    DaysOrUnlimited,
    ExactDecimal,
    at_least,
    code_key_type,
    digits_or,
    valid_code,
)


class Material(SQLModel, table=True):
    """What a part is made of, and how long that keeps on a shelf; `source` and `edition` say who says so."""

    __tablename__ = "materials"
    __table_args__ = (valid_code("code"), digits_or("storage_life_days", UNLIMITED))

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    storage_life_days: str | None = Field(default=None, sa_type=DaysOrUnlimited)
    edition: str | None = Field(default=None, max_length=200)
    source: str | None = Field(default=None, max_length=200)
    described: bool


class Part(SQLModel, table=True):
    """A part of kits."""

    __tablename__ = "parts"
    __table_args__ = (valid_code("code"), at_least("unit_cost", 0), at_least("shelf_life_days", 0))

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    material_id: int | None = Field(default=None, foreign_key="materials.id")
    unit_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    priced_on: date | None = None
    shelf_life_days: int | None = None
    described: bool


class Kit(SQLModel, table=True):
    """A stock-coded rebuild kit."""

    __tablename__ = "kits"
    __table_args__ = (
        valid_code("code"),
        at_least("unit_cost", 0),
        at_least("lead_time_days", 0),
        at_least("lead_time_sd_days", 0),
        at_least("min_order_qty", 0),
        at_least("pack_qty", 1),
        at_least("shelf_life_days", 0),
        at_least("expedited_lead_time_days", 0),
        at_least("expediting_cost", 0),
        at_least("cancelling_cost", 0),
        CheckConstraint("superseded_by_id <> id", name="superseded_by_another"),
    )

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    unit_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    priced_on: date | None = None
    lead_time_days: int | None = None
    lead_time_sd_days: float | None = None
    min_order_qty: int | None = None
    pack_qty: int | None = None
    shelf_life_days: int | None = None
    expedited_lead_time_days: int | None = None
    expediting_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    cancelling_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    superseded_by_id: int | None = Field(default=None, foreign_key="kits.id")
    superseded_on: date | None = None
    old_fits_new_need: bool | None = None
    described: bool


class KitRenews(SQLModel, table=True):
    """An item that a kit renews."""

    __tablename__ = "kit_renews"

    kit_id: int = Field(foreign_key="kits.id", ondelete="CASCADE", primary_key=True)
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id", primary_key=True)


class KitPart(SQLModel, table=True):
    """A line of the bill of material of a kit."""

    __tablename__ = "kit_parts"
    __table_args__ = (UniqueConstraint("kit_id", "part_id"), at_least("qty", 1))

    id: int | None = Field(default=None, primary_key=True)
    kit_id: int = Field(foreign_key="kits.id")
    part_id: int = Field(foreign_key="parts.id", index=True)
    qty: int | None = None


class DesignKit(SQLModel, table=True):
    """The kit that renews an item of a design."""

    __tablename__ = "design_kits"
    __table_args__ = (UniqueConstraint("design_id", "maintainable_item_id"), at_least("qty", 1))

    id: int | None = Field(default=None, primary_key=True)
    design_id: int = Field(foreign_key="designs.id")
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id")
    kit_id: int | None = Field(default=None, foreign_key="kits.id", index=True)
    qty: int | None = None
    on_opening: bool | None = None
