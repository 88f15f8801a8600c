"""What was done to valves: facts and dates."""

from decimal import Decimal

from sqlalchemy import CheckConstraint
from sqlmodel import Field, SQLModel

from models.base import CODE_KEY_LENGTH, CODE_LENGTH, ExactDecimal, at_least, code_key_type, known_word, valid_code
from models.partial_days import partial_day_type, partly_in_order, valid_partial_day

ACTIONS = ("rebuild", "exchange", "inspect", "reclassify")
REASONS = ("failure", "condition", "planned")
AS_FOUND_STATES = ("ok", "worn", "failed")
REF_KEY_LENGTH = 2 * CODE_KEY_LENGTH + 1


class Event(SQLModel, table=True):
    """Something done to a valve.

    `ref_key` is what it is known by: its ref and tag, or without a ref its tag, day, action and `number`
    among those with the same three; `number` is 0 where there is a ref.
    """

    __tablename__ = "events"
    __table_args__ = (
        valid_code("ref"),
        known_word("action", ACTIONS),
        known_word("reason", REASONS),
        *(valid_partial_day(column) for column in ("found_on", "done_on", "last_ok_on")),
        partly_in_order("found_on", "done_on", name="found_before_done"),
        partly_in_order("last_ok_on", "coalesce(found_on, done_on)", name="last_ok_before_found"),
        CheckConstraint("(ref IS NULL AND number > 0) OR (ref IS NOT NULL AND number = 0)", name="number_without_ref"),
        at_least("labour_hours", 0),
        at_least("cost", 0),
    )

    id: int | None = Field(default=None, primary_key=True)
    ref: str | None = Field(default=None, max_length=CODE_LENGTH)
    ref_key: str = Field(sa_type=code_key_type(REF_KEY_LENGTH), unique=True)
    number: int
    valve_id: int = Field(foreign_key="valves.id", index=True)
    found_on: str | None = Field(default=None, sa_type=partial_day_type())
    done_on: str = Field(sa_type=partial_day_type())
    action: str = Field(max_length=20)
    reason: str | None = Field(default=None, max_length=20)
    turnaround_id: int | None = Field(default=None, foreign_key="turnarounds.id", index=True)
    failure_mode: str | None = Field(default=None, max_length=200)
    last_ok_on: str | None = Field(default=None, sa_type=partial_day_type())
    service_class_from_id: int | None = Field(default=None, foreign_key="service_classes.id")
    serial_fitted: str | None = Field(default=None, max_length=200)
    labour_hours: float | None = None
    cost: Decimal | None = Field(default=None, sa_type=ExactDecimal)
    note: str | None = None


class EventRenewed(SQLModel, table=True):
    """An item that an event renewed."""

    __tablename__ = "event_renewed"

    event_id: int = Field(foreign_key="events.id", ondelete="CASCADE", primary_key=True)
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id", primary_key=True)


class EventAsFound(SQLModel, table=True):
    """How an item was found."""

    __tablename__ = "event_as_found"
    __table_args__ = (known_word("state", AS_FOUND_STATES),)

    event_id: int = Field(foreign_key="events.id", ondelete="CASCADE", primary_key=True)
    maintainable_item_id: int = Field(foreign_key="maintainable_items.id", primary_key=True)
    state: str = Field(max_length=20)


class EventKit(SQLModel, table=True):
    """A kit that an event used, and how many."""

    __tablename__ = "event_kits"
    __table_args__ = (at_least("qty", 1),)

    event_id: int = Field(foreign_key="events.id", ondelete="CASCADE", primary_key=True)
    kit_id: int = Field(foreign_key="kits.id", primary_key=True)
    qty: int
