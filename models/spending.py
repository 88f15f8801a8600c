"""What runs say kits will cost outside turnarounds."""

from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Text, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, ExactDecimal, code_key_type, known_word

SPEND_BUCKETS = ("month", "quarter", "year")
SPEND_KINDS = ("unplanned", "planned", "total")


class RunSpend(SQLModel, table=True):
    """Spending of an area on kits in a period, both dates inclusive; area '' is the whole plant.

    A total is a distribution of its own: quantiles of kinds, periods and areas don't add.
    """

    __tablename__ = "run_spend"
    __table_args__ = (
        known_word("bucket", SPEND_BUCKETS),
        known_word("kind", SPEND_KINDS),
        CheckConstraint("starts_on <= ends_on", name="period_in_order"),
        UniqueConstraint(
            *("run_id", "area_key", "bucket", "starts_on", "ends_on", "kind"), name="uq_run_spend_area_period_kind"
        ),
    )

    id: int = Field(default=None, primary_key=True)
    run_id: int = Field(sa_column_args=[ForeignKey("runs.id", ondelete="CASCADE")])
    area: str
    area_key: str = Field(sa_type=code_key_type())
    bucket: str = Field(max_length=20)
    starts_on: date
    ends_on: date
    kind: str = Field(max_length=20)
    mean: Decimal = Field(sa_type=ExactDecimal)
    p10: Decimal = Field(sa_type=ExactDecimal)
    p50: Decimal = Field(sa_type=ExactDecimal)
    p80: Decimal = Field(sa_type=ExactDecimal)
    p90: Decimal = Field(sa_type=ExactDecimal)
    status: str
    reason: str | None = Field(default=None, sa_type=Text)
    details: dict[str, Any] = Field(default_factory=dict, sa_type=JSON_DOCUMENT)
