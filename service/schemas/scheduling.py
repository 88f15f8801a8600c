"""Scheduled jobs as they leave."""

from datetime import date, datetime

from msgspec import Struct


class ScheduledJobOut(Struct, kw_only=True):
    """A job at the time it was due; `token` counts the processes that took it."""

    id: int
    job: str
    due_at: datetime
    status: str
    late: bool
    token: int
    claimed_at: datetime
    finished_at: datetime | None
    run_id: int | None
    outcome: str | None


class ExpiringLotOut(Struct, kw_only=True):
    """A lot that has expired or soon will; `days_left` is negative once it has."""

    storeroom: str
    kit: str
    lot: str
    qty: int
    expires_on: date
    days_left: int
