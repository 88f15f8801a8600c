"""What named holders decided about data findings; the record itself stays as it was stated.

A void, a merged tag, a note placed: each is applied when the record is read for a forecast, and undone by nothing that
an import of the same files does.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, Text
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, UtcTimestamp, known_word

FINDING_DECISIONS = ("leave", "merge", "void")


def _of_event(*, key: bool) -> Any:
    reference = ForeignKey("events.id", ondelete="CASCADE" if key else "SET NULL")
    return (
        Field(default=None, primary_key=True, sa_column_args=[reference])
        if key
        else Field(default=None, index=True, sa_column_args=[reference])
    )


class FindingClosing(SQLModel, table=True):
    """A finding that was closed; `identity` is a digest of its facts, so that other facts are another finding.

    What it voided, merged or placed bears the same instant and holder, and `tag` is what it was about or was placed at.
    """

    __tablename__ = "finding_closings"
    __table_args__ = (
        known_word("decision", FINDING_DECISIONS),
        CheckConstraint("length(reason) > 0", name="reason_given"),
    )

    id: int = Field(default=None, primary_key=True)
    identity: str = Field(max_length=64, unique=True)
    kind: str = Field(max_length=60)
    tag: str | None = Field(default=None, max_length=60)
    record_key: str | None = None
    detail: str = Field(sa_type=Text)
    decision: str = Field(max_length=20)
    reason: str = Field(sa_type=Text)
    holder: str = Field(max_length=200)
    closed_at: datetime = Field(sa_type=UtcTimestamp)


class EventRecording(SQLModel, table=True):
    """Who recorded an event, where it came in one by one."""

    __tablename__ = "event_recordings"

    event_id: int = _of_event(key=True)
    holder: str = Field(max_length=200)
    recorded_at: datetime = Field(sa_type=UtcTimestamp)


class EventVoid(SQLModel, table=True):
    """An event that no forecast reads, as long as its facts are those of `facts_digest`.

    `merged_into_id` is the event that stands for both; what that one leaves unsaid is taken from this one.
    """

    __tablename__ = "event_voids"
    __table_args__ = (CheckConstraint("length(reason) > 0", name="reason_given"),)

    event_id: int = _of_event(key=True)
    facts_digest: str = Field(max_length=64)
    merged_into_id: int | None = _of_event(key=False)
    reason: str = Field(sa_type=Text)
    holder: str = Field(max_length=200)
    voided_at: datetime = Field(sa_type=UtcTimestamp)


class TagMerge(SQLModel, table=True):
    """A tag that is another valve's, differently written: its events are read as that valve's, it is no valve."""

    __tablename__ = "tag_merges"
    __table_args__ = (
        CheckConstraint("valve_id <> into_valve_id", name="into_another"),
        Index(None, "into_valve_id"),
    )

    valve_id: int = Field(default=None, primary_key=True, sa_column_args=[ForeignKey("valves.id", ondelete="CASCADE")])
    into_valve_id: int = Field(sa_column_args=[ForeignKey("valves.id", ondelete="CASCADE")])
    holder: str = Field(max_length=200)
    merged_at: datetime = Field(sa_type=UtcTimestamp)


class UnplacedEvent(SQLModel, table=True):
    """A row of events.csv without a tag, as it came; `placed_at` is when somebody said what to do with it."""

    __tablename__ = "unplaced_events"

    id: int = Field(default=None, primary_key=True)
    identity: str = Field(max_length=64, unique=True)
    row: dict[str, Any] = Field(sa_type=JSON_DOCUMENT)
    placed_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
