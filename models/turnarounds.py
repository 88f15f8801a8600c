"""Turnarounds: when areas stand still, what was decided about valves in them, and when no order makes any headway."""

from datetime import date

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import CODE_LENGTH, code_key_type, known_word, valid_code

DECISIONS = ("must_open", "must_not_open")


class Turnaround(SQLModel, table=True):
    """A planned shutdown."""

    __tablename__ = "turnarounds"
    __table_args__ = (
        valid_code("code"),
        CheckConstraint("ends_on >= starts_on", name="ends_after_start"),
        CheckConstraint("scope_freeze_on <= starts_on", name="freeze_before_start"),
    )

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    starts_on: date | None = None
    ends_on: date | None = None
    scope_freeze_on: date | None = None
    described: bool


class Closure(SQLModel, table=True):
    """Days on which nothing is ordered, made or delivered."""

    __tablename__ = "closures"
    __table_args__ = (valid_code("code"), CheckConstraint("ends_on >= starts_on", name="ends_after_start"))

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=CODE_LENGTH)
    code_key: str = Field(sa_type=code_key_type(), unique=True)
    name: str | None = Field(default=None, max_length=200)
    starts_on: date
    ends_on: date


class TurnaroundArea(SQLModel, table=True):
    """An area that stands still in a turnaround."""

    __tablename__ = "turnaround_areas"

    turnaround_id: int = Field(foreign_key="turnarounds.id", ondelete="CASCADE", primary_key=True)
    area_id: int = Field(foreign_key="areas.id", primary_key=True)


class ScopeLine(SQLModel, table=True):
    """What somebody decided about a valve in a turnaround."""

    __tablename__ = "scope_lines"
    __table_args__ = (UniqueConstraint("turnaround_id", "valve_id"), known_word("decision", DECISIONS))

    id: int | None = Field(default=None, primary_key=True)
    turnaround_id: int = Field(foreign_key="turnarounds.id")
    valve_id: int = Field(foreign_key="valves.id", index=True)
    decision: str = Field(max_length=20)
    reason: str | None = None
    decided_by: str | None = Field(default=None, max_length=200)
