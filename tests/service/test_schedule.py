"""When jobs are due: once every night by the clock of the site, however clocks are put forward or back."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from forecasting.errors import InvalidInput
from service.schedule import BACKTEST, JOBS, NIGHTLY_RUN, Schedule, last_due, schedule_of, yesterday

# Clocks change at 02:00 or 03:00 on a Sunday; at midnight; by half an hour; a whole day was left out in Samoa.
CHANGES = [
    ("Europe/Berlin", date(2026, 3, 29), 23),
    ("Europe/Berlin", date(2026, 10, 25), 25),
    ("America/New_York", date(2026, 3, 8), 23),
    ("America/New_York", date(2026, 11, 1), 25),
    ("America/Santiago", date(2025, 9, 7), 23),
    ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
    ("Asia/Kolkata", date(2026, 3, 29), 24),
]


def berlin(hour: int = 5) -> Schedule:
    return Schedule(zone=ZoneInfo("Europe/Berlin"), hour=hour)


@pytest.mark.parametrize(("zone", "night", "hours"), CHANGES)
def test_a_night_in_which_clocks_change_has_one_run_at_the_same_hour(zone: str, night: date, hours: float) -> None:
    schedule = Schedule(zone=ZoneInfo(zone))
    noon = datetime(night.year, night.month, night.day, 12, tzinfo=schedule.zone)
    due = last_due(NIGHTLY_RUN, schedule, at=noon)
    before = last_due(NIGHTLY_RUN, schedule, at=due - timedelta(seconds=1))
    assert (due.date(), due.hour, before.hour) == (night, 5, 5)
    assert (due.astimezone(UTC) - before.astimezone(UTC)) == timedelta(hours=hours)
    assert yesterday(due, schedule) == night - timedelta(days=1)


def test_looked_at_again_and_again_a_year_has_a_run_for_every_day() -> None:
    schedule = berlin()
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    looks = [begin + timedelta(minutes=15 * number) for number in range(0, 365 * 96, 31)]
    due = {last_due(NIGHTLY_RUN, schedule, at=look) for look in looks}
    days = sorted(one.astimezone(schedule.zone).date() for one in due)
    assert days == [date(2025, 12, 31) + timedelta(days=number) for number in range(len(days))]
    assert len(days) in {365, 366}
    assert {yesterday(one, schedule) for one in due} == {day - timedelta(days=1) for day in days}


def test_the_back_test_is_due_on_sundays_after_the_run() -> None:
    schedule = berlin()
    due = last_due(BACKTEST, schedule, at=datetime(2026, 4, 2, tzinfo=UTC))
    assert due == datetime(2026, 3, 29, 6, tzinfo=schedule.zone)


@pytest.mark.parametrize("job", JOBS)
def test_at_the_very_time_it_is_due(job: str) -> None:
    schedule = berlin()
    due = last_due(job, schedule, at=datetime(2026, 4, 2, 12, tzinfo=UTC))
    assert last_due(job, schedule, at=due) == due
    assert last_due(job, schedule, at=due - timedelta(microseconds=1)) < due


@pytest.mark.parametrize(
    ("zone", "begins_at", "said"),
    [
        ("Europe/Atlantis", "05:00", "time zone is 'Europe/Atlantis'"),
        ("../etc/passwd", "05:00", "expected a name such as"),
        ("Europe/Berlin", "5", "begin at '5'; expected hours and minutes"),
        ("Europe/Berlin", "02:30", "02:30; expected 04:00 to 22:59, since clocks"),
        ("Europe/Berlin", "23:00", "23:00; expected 04:00 to 22:59"),
        ("Europe/Berlin", "05:60", "05:60; expected 04:00"),
    ],
)
def test_a_schedule_that_cannot_be_kept_is_refused(zone: str, begins_at: str, said: str) -> None:
    with pytest.raises(InvalidInput, match=said):
        schedule_of(zone=zone, begins_at=begins_at)


def test_without_a_zone_it_is_that_of_the_computer() -> None:
    assert schedule_of(zone=None, begins_at="4:05") == Schedule(
        zone=schedule_of(zone=None, begins_at="05:00").zone, hour=4, minute=5
    )
