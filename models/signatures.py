"""What was signed for turnarounds, and what came after: kept for ever, and never changed.

Codes are kept as given: a signature outlives the record it was made from.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, LargeBinary, Text
from sqlmodel import Field, SQLModel

from models.base import ExactDecimal, UtcTimestamp, at_least, code_key_type, known_word

SCOPE_CHANGES = ("add", "drop")


def _key() -> Any:
    return Field(sa_type=code_key_type(), unique=True)


def _signature() -> Any:
    return Field(index=True, sa_column_args=[ForeignKey("signatures.id")])


class Signature(SQLModel, table=True):
    """The document of a turnaround as somebody signed it: its bytes and their SHA-256; one per turnaround."""

    __tablename__ = "signatures"
    __table_args__ = (CheckConstraint("length(sha256) = 64", name="sha256_whole"),)

    id: int = Field(default=None, primary_key=True)
    turnaround: str
    turnaround_key: str = _key()
    run_id: int = Field(index=True, sa_column_args=[ForeignKey("runs.id")])
    as_of: date
    holder: str = Field(max_length=200)
    signed_at: datetime = Field(sa_type=UtcTimestamp)
    note: str | None = Field(default=None, sa_type=Text)
    sha256: str = Field(max_length=64)
    content: bytes = Field(sa_type=LargeBinary)


class LateScope(SQLModel, table=True):
    """Work added to, or dropped from, a turnaround after it was signed."""

    __tablename__ = "late_scope"
    __table_args__ = (
        known_word("change", SCOPE_CHANGES),
        at_least("cost", 0),
        CheckConstraint("length(reason) > 0", name="reason_given"),
    )

    id: int = Field(default=None, primary_key=True)
    signature_id: int = _signature()
    change: str = Field(max_length=10)
    tag: str
    reason: str = Field(sa_type=Text)
    cost: Decimal = Field(sa_type=ExactDecimal)
    holder: str = Field(max_length=200)
    recorded_at: datetime = Field(sa_type=UtcTimestamp)


class TurnaroundActual(SQLModel, table=True):
    """What was really paid on a line of a signed budget; a negative amount takes an earlier one back."""

    __tablename__ = "turnaround_actuals"
    __table_args__ = (CheckConstraint("length(line) > 0", name="line_given"),)

    id: int = Field(default=None, primary_key=True)
    signature_id: int = _signature()
    line: str = Field(max_length=60)
    amount: Decimal = Field(sa_type=ExactDecimal)
    paid_on: date
    note: str | None = Field(default=None, sa_type=Text)
    holder: str = Field(max_length=200)
    recorded_at: datetime = Field(sa_type=UtcTimestamp)
