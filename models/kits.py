"""Rebuild kits, what each renews, and which design takes which."""

from datetime import date
from decimal import Decimal

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import CODE_LENGTH, ExactDecimal, at_least, code_key_type, valid_code


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
    superseded_by_id: int | None = Field(default=None, foreign_key="kits.id")
    superseded_on: date | None = None
    old_fits_new_need: bool | None = None
    described: bool


class KitRenews(SQLModel, table=True):
    """An item that a kit renews."""

    __tablename__ = "kit_renews"

    kit_id: int = Field(foreign_key="kits.id", ondelete="CASCADE", primary_key=True)
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id", primary_key=True)


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
