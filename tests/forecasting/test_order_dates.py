"""Order-by dates worked out by hand on a calendar."""

from datetime import date

import pytest

from forecasting.errors import InvalidInput
from forecasting.order_dates import arrival_chance, arrival_day, lead_time_at, open_days, order_by_day

YEAR_END = (date(2026, 12, 24), date(2027, 1, 3))


@pytest.mark.parametrize(
    ("need", "lead", "closed", "wanted"),
    [
        (date(2027, 3, 31), 31, [], date(2027, 2, 28)),  # a month end to a shorter month's
        (date(2028, 3, 1), 1, [], date(2028, 2, 29)),  # over a leap day
        (date(2028, 3, 1), 366, [], date(2027, 3, 1)),  # a year with one
        (date(2027, 3, 1), 365, [], date(2026, 3, 1)),  # a year without
        (date(2027, 1, 10), 7, [YEAR_END], date(2026, 12, 23)),  # six days to 4 January, the seventh before Christmas
        (date(2027, 1, 5), 1, [YEAR_END], date(2027, 1, 4)),  # just after the closed days
        (date(2027, 1, 4), 1, [YEAR_END], date(2026, 12, 23)),  # just before them
        (date(2026, 12, 28), 0, [YEAR_END], date(2026, 12, 23)),  # nothing is ordered on a closed day
        (date(2026, 5, 20), 10, [(date(2026, 5, 4), date(2026, 5, 10))], date(2026, 5, 3)),
        (date(2026, 5, 20), 12, [(date(2026, 5, 4), date(2026, 5, 10))], date(2026, 5, 1)),  # a closed week on the way
    ],
)
def test_order_by_dates(need: date, lead: int, closed: list[tuple[date, date]], wanted: date) -> None:
    closures = [(first.toordinal(), last.toordinal()) for first, last in closed]
    found = order_by_day(need.toordinal(), lead_days=lead, closures=closures)
    assert date.fromordinal(found) == wanted
    if lead:
        assert open_days(found, need.toordinal(), closures=closures) == lead


@pytest.mark.parametrize(
    ("ordered", "lead", "closed", "wanted"),
    [
        (date(2028, 2, 28), 2, [], date(2028, 3, 1)),  # over a leap day
        (date(2026, 12, 23), 1, [YEAR_END], date(2027, 1, 4)),  # nothing is delivered on a closed day
        (date(2026, 12, 23), 7, [YEAR_END], date(2027, 1, 10)),  # the first before Christmas, six from 4 January on
        (date(2026, 12, 28), 0, [YEAR_END], date(2027, 1, 4)),  # nothing is ordered on one
        (date(2026, 5, 1), 12, [(date(2026, 5, 4), date(2026, 5, 10))], date(2026, 5, 20)),  # a closed week on the way
    ],
)
def test_arrival_days(ordered: date, lead: int, closed: list[tuple[date, date]], wanted: date) -> None:
    closures = [(first.toordinal(), last.toordinal()) for first, last in closed]
    assert date.fromordinal(arrival_day(ordered.toordinal(), lead_days=lead, closures=closures)) == wanted


def test_lead_time_at_a_probability() -> None:
    assert lead_time_at(mean=60.0, spread=0.0, probability=0.9) == 60
    assert lead_time_at(mean=59.2, spread=0.0, probability=0.9) == 60
    # an exponential lead time: -60 log(1 - p)
    assert lead_time_at(mean=60.0, spread=60.0, probability=0.5) == 42
    assert lead_time_at(mean=60.0, spread=60.0, probability=0.9) == 139


def test_chance_of_arriving_in_time_is_the_lead_times_distribution() -> None:
    late = lead_time_at(mean=80.0, spread=20.0, probability=0.8)
    assert (
        arrival_chance(mean=80.0, spread=20.0, days=late - 1) < 0.8 <= arrival_chance(mean=80.0, spread=20.0, days=late)
    )
    assert arrival_chance(mean=80.0, spread=20.0, days=-5.0) == 0.0
    assert arrival_chance(mean=80.0, spread=0.0, days=80.0) == 1.0


def test_impossible_dates_are_refused() -> None:
    with pytest.raises(InvalidInput, match="a closure must not end before it begins"):
        order_by_day(100, lead_days=3, closures=[(9, 8)])
    with pytest.raises(InvalidInput, match="`lead_days` must not be negative"):
        order_by_day(100, lead_days=-1, closures=[])
    with pytest.raises(InvalidInput, match="`lead_days` must not be negative"):
        arrival_day(100, lead_days=-1, closures=[])
    with pytest.raises(InvalidInput, match="must lie in"):
        lead_time_at(mean=1.0, spread=1.0, probability=0.0)
    with pytest.raises(InvalidInput, match="must not be negative"):
        lead_time_at(mean=-1.0, spread=1.0, probability=0.5)
