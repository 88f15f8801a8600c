"""What the scheduler did and does: one row for each time a job was due, held by one process at a time."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Text, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import UtcTimestamp, at_least, known_word

JOB_STATUSES = ("running", "finished", "failed", "skipped")


class ScheduledJob(SQLModel, table=True):
    """A job at the time it was due.

    `token` grows with every process that takes it: what an earlier one still tries to store is refused.
    """

    __tablename__ = "scheduled_jobs"
    __table_args__ = (
        UniqueConstraint("job", "due_at"),
        known_word("status", JOB_STATUSES),
        at_least("token", 0),
        CheckConstraint("(status = 'running') = (lease_ends_at IS NOT NULL)", name="lease_while_running"),
        CheckConstraint("(status = 'running') = (finished_at IS NULL)", name="finished_unless_running"),
    )

    id: int = Field(default=None, primary_key=True)
    job: str = Field(max_length=40)
    due_at: datetime = Field(sa_type=UtcTimestamp)
    status: str = Field(max_length=10)
    token: int
    late: bool
    host: str
    pid: int
    claimed_at: datetime = Field(sa_type=UtcTimestamp)
    lease_ends_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    finished_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    run_id: int | None = Field(default=None, sa_column_args=[ForeignKey("runs.id", ondelete="SET NULL")], index=True)
    outcome: str | None = Field(default=None, sa_type=Text)
