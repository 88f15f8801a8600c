"""When scheduled jobs are due: by the clock on the wall of the site, at hours that every day has once."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from apscheduler.triggers.cron import CronTrigger  # type: ignore[import-untyped]
from tzlocal import get_localzone_name

from forecasting.errors import InvalidInput

NIGHTLY_RUN = "nightly-run"
EXPIRY_CHECK = "daily-expiry-check"
RETENTION = "daily-retention"
BACKTEST = "weekly-backtest"
LATE_AFTER = timedelta(minutes=15)
FIRST_HOUR, LAST_HOUR = 4, 22
LOOK_BACK = timedelta(days=15)  # twice the longest time between two, and a day
WEEKLY_ON = "sun"
HOURS_AND_MINUTES = re.compile(r"(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class Schedule:
    """When jobs are due.

    Parameters
    ----------
    zone : ZoneInfo
        Of the site.
    hour, minute : int
        Of the nightly run and what follows it; the weekly back-test comes an hour later.

    Raises
    ------
    InvalidInput
        If the hour is one that clocks are put forward or back over: there, a night can have it twice or not at all.
    """

    zone: ZoneInfo
    hour: int = 5
    minute: int = 0

    def __post_init__(self) -> None:
        if not (FIRST_HOUR <= self.hour <= LAST_HOUR and 0 <= self.minute <= 59):
            raise InvalidInput(
                f"jobs are to begin at {self.hour:02}:{self.minute:02}; expected 04:00 to 22:59, since clocks are"
                " put forward and back at earlier hours"
            )


def _nightly(schedule: Schedule) -> CronTrigger:
    return CronTrigger(hour=schedule.hour, minute=schedule.minute, timezone=schedule.zone)


def _weekly(schedule: Schedule) -> CronTrigger:
    return CronTrigger(day_of_week=WEEKLY_ON, hour=schedule.hour + 1, minute=schedule.minute, timezone=schedule.zone)


# in the order they are done where several are due
JOBS: dict[str, Callable[[Schedule], CronTrigger]] = {
    NIGHTLY_RUN: _nightly,
    EXPIRY_CHECK: _nightly,
    RETENTION: _nightly,
    BACKTEST: _weekly,
}


def schedule_of(*, zone: str | None, begins_at: str) -> Schedule:
    """Read a schedule as it is set.

    Parameters
    ----------
    zone : str or None
        A name as `Europe/Berlin`; None is that of this computer.
    begins_at : str
        Hours and minutes as `05:00`.

    Returns
    -------
    Schedule
        Of the site.

    Raises
    ------
    InvalidInput
        If one of them can't be read.
    """
    name = zone or get_localzone_name()
    try:
        of_site = ZoneInfo(name)
    except (ZoneInfoNotFoundError, OSError, ValueError) as error:
        raise InvalidInput(f"the time zone is {name!r}; expected a name such as Europe/Berlin") from error
    told = HOURS_AND_MINUTES.fullmatch(begins_at)
    if told is None:
        raise InvalidInput(f"jobs are to begin at {begins_at!r}; expected hours and minutes such as 05:00")
    return Schedule(zone=of_site, hour=int(told["hour"]), minute=int(told["minute"]))


def last_due(job: str, schedule: Schedule, *, at: datetime) -> datetime:
    """Say when a job was due last.

    Parameters
    ----------
    job : str
        One of JOBS.
    schedule : Schedule
        Of the site.
    at : datetime
        Now.

    Returns
    -------
    datetime
        At or before now.
    """
    trigger = JOBS[job](schedule)
    due = trigger.get_next_fire_time(None, at - LOOK_BACK)
    while (following := trigger.get_next_fire_time(due, due + timedelta(seconds=1))) <= at:
        due = following
    found: datetime = due
    return found


def yesterday(due_at: datetime, schedule: Schedule) -> date:
    """Say which day was the last whole one at the site when a job was due.

    Parameters
    ----------
    due_at : datetime
        When.
    schedule : Schedule
        Of the site.

    Returns
    -------
    date
        The data cut-off of the nightly run: the same however late it is caught up.
    """
    return due_at.astimezone(schedule.zone).date() - timedelta(days=1)
