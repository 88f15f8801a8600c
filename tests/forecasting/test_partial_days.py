"""Days known to the month or year: an end lies within a span, a start is its middle, or unknown where that is vague."""

from collections.abc import Callable
from dataclasses import replace
from math import inf
from re import escape

import pytest

from forecasting.clocks import Clock
from forecasting.errors import InvalidInput
from forecasting.histories import AsFound, Event, Reason
from tests.forecasting import wrong_treatments as wrong
from tests.forecasting.valve_record import NEW, PACKING, TRIM, ages, inspect, kinds, packing, rebuild, seen, trim

FAILURE, CONDITION, PLANNED = Reason.FAILURE, Reason.CONDITION, Reason.PLANNED


def month(done: int, reason: Reason) -> Event:
    """Rebuild of the trim in a month of 31 days around a day."""
    return rebuild(done, reason, renewed=TRIM, done_spread=30)


def test_a_failure_in_a_month_ended_on_one_of_its_days() -> None:
    """Days 235 to 265; on day 234 it had not ended yet. The next life starts at the middle."""
    assert trim(NEW, month(250, FAILURE)) == [(0, 234, 265), (0, 150, inf)]


def test_a_failure_found_in_a_month_and_mended_on_a_known_day_starts_the_next_life_there() -> None:
    mended = rebuild(270, FAILURE, renewed=TRIM, found=250, found_spread=30)
    assert trim(NEW, mended) == [(0, 234, 265), (0, 130, inf)]


def test_what_was_found_at_an_opening_of_some_month_ended_by_its_last_day() -> None:
    """Ok at 100, renewed because worn in the month around 250."""
    assert trim(NEW, inspect(100, trim=AsFound.OK), month(250, CONDITION))[0] == (0, 100, 265)


def test_what_was_renewed_while_ok_in_a_month_lived_to_its_first_day() -> None:
    assert trim(NEW, month(250, PLANNED)) == [(0, 235, inf), (0, 150, inf)]


def test_what_was_seen_ok_in_a_month_was_ok_on_its_first_day() -> None:
    looked = replace(inspect(150, trim=AsFound.OK), done_spread=30)
    assert trim(NEW, looked, rebuild(250, CONDITION, renewed=TRIM))[0] == (0, 135, 250)


def test_a_life_that_began_and_ended_in_one_month_is_a_few_days() -> None:
    again = replace(month(250, FAILURE), ref="F250")
    assert trim(NEW, month(250, PLANNED), again)[1] == (0, 0, 15)


def test_a_masked_failure_of_some_month_is_an_interval_for_each_suspect() -> None:
    fleet = seen(NEW, rebuild(100, PLANNED, renewed=PACKING), rebuild(250, FAILURE, done_spread=30))
    assert ages(fleet.lives, "packing")[1] == (0, 134, 165)
    assert ages(fleet.lives, "trim")[0] == (0, 234, 265)
    assert packing(NEW, rebuild(1, PLANNED, renewed=PACKING), rebuild(2, FAILURE, done_spread=30))[1] == (0, 0, 16)


def test_a_start_known_to_the_year_is_its_middle_and_one_known_to_less_is_unknown() -> None:
    """The next renewal starts a known life again; what the vague one costs is a finding."""
    year = replace(month(250, FAILURE), done_spread=365)
    later = rebuild(300, FAILURE, renewed=TRIM)
    assert trim(NEW, year, later)[1] == (0, 50, 50)
    vague = seen(NEW, replace(year, done_spread=367), later)
    assert ages(vague.lives, "trim")[1:] == [(0, 100, inf)]
    assert ("unknown_start", "E250", 0) in kinds(vague)


def test_a_last_ok_after_the_last_day_of_the_find_is_a_finding() -> None:
    said = rebuild(250, CONDITION, renewed=TRIM, done_spread=30, last_ok=266)
    assert ("last_ok_too_late", "E250", 0) in kinds(seen(NEW, said))
    assert ("last_ok_too_late", "E250", 0) not in kinds(seen(NEW, replace(said, last_ok=265)))


def test_a_spread_can_not_be_negative() -> None:
    with pytest.raises(InvalidInput, match="a spread must not be negative, got one in E250"):
        rebuild(250, FAILURE, done_spread=-1)


MUTANTS: dict[str, tuple[Callable[[], None], wrong.Install, str]] = {
    "the middle of a month is exact": (
        test_a_failure_in_a_month_ended_on_one_of_its_days,
        wrong.event_read_as(lambda event: replace(event, done_spread=0, found_spread=0)),
        "(0.0, 250.0, 250.0)",
    ),
    "the interval is dated at its middle": (
        test_a_failure_in_a_month_ended_on_one_of_its_days,
        wrong.life_written_as(wrong.in_the_middle),
        "(0.0, 249.5, 249.5)",
    ),
    "a planned renewal of a month is dated at its end": (
        test_what_was_renewed_while_ok_in_a_month_lived_to_its_first_day,
        wrong.event_read_as(lambda event: replace(event, done_spread=0)),
        "(0.0, 250.0, inf)",
    ),
    "a vague start counts from its middle": (
        test_a_start_known_to_the_year_is_its_middle_and_one_known_to_less_is_unknown,
        wrong.event_renewed_as(lambda event: replace(event, done_spread=0)),
        "(0.0, 50.0, 50.0)",
    ),
    "a start in a month is unknown": (
        test_a_failure_in_a_month_ended_on_one_of_its_days,
        wrong.event_renewed_as(lambda event: replace(event, done_spread=999)),
        "[(0.0, 234.0, 265.0)] == ",
    ),
    "seen ok in a month is seen ok at its end": (
        test_what_was_seen_ok_in_a_month_was_ok_on_its_first_day,
        wrong.event_read_as(lambda event: replace(event, done_spread=0)),
        "(0.0, 150.0, 250.0)",
    ),
    "inspections say nothing": (
        test_what_was_found_at_an_opening_of_some_month_ended_by_its_last_day,
        wrong.replaced(Clock, "last_ok_before", lambda clock, day: None),
        "(0.0, 0.0, 265.0)",
    ),
}


@pytest.mark.parametrize("name", MUTANTS)
def test_a_wrong_treatment_is_caught(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rule, install, shown = MUTANTS[name]
    install(monkeypatch)
    with pytest.raises(AssertionError, match=escape(shown)):
        rule()
