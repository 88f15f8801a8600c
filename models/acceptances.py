"""What named holders took of what runs proposed; kept for ever, and never changed."""

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, Text
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, ExactDecimal, UtcTimestamp, at_least, code_key_type


def _key() -> Any:
    return Field(sa_type=code_key_type())


class Acceptance(SQLModel, table=True):
    """A reorder point taken, a number of kits to be ordered, or both; null is what was not decided.

    `stated_reorder_point` is what the record said then, `known_orders` are the orders since the cut-off that the run
    had read: no order among them is the one that this acceptance lets expect. With a `turnaround` it was taken of what
    that one's plan wants ordered, which has no reorder point.
    """

    __tablename__ = "acceptances"
    __table_args__ = (
        CheckConstraint("reorder_point IS NOT NULL OR quantity IS NOT NULL", name="something_taken"),
        CheckConstraint("length(reason) > 0", name="reason_given"),
        CheckConstraint("turnaround IS NOT NULL OR proposed_reorder_point IS NOT NULL", name="level_proposed"),
        at_least("reorder_point", -1),
        at_least("quantity", 0),
        Index(None, "storeroom_key", "kit_key"),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = Field(index=True, sa_column_args=[ForeignKey("runs.id")])
    as_of: date
    storeroom: str
    storeroom_key: str = _key()
    kit: str
    kit_key: str = _key()
    reorder_point: int | None = None
    quantity: int | None = None
    reason: str = Field(sa_type=Text)
    holder: str = Field(max_length=200)
    accepted_at: datetime = Field(sa_type=UtcTimestamp)
    proposed_reorder_point: int | None = None
    proposed_quantity: int
    position: int | None = None
    present_reorder_point: int | None = None
    stated_reorder_point: int | None = None
    unit_cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    known_orders: list[Any] = Field(default_factory=list, sa_type=JSON_DOCUMENT)
    turnaround: str | None = None
    turnaround_key: str | None = Field(default=None, sa_type=code_key_type())
