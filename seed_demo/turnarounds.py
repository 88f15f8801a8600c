"""The shutdowns of the areas: those that were, and the next two of each."""

from dataclasses import dataclass
from datetime import date, timedelta

from seed_demo.plant import AREAS, Area

_FIRST_DAY, _DAYS, _FREEZE_DAYS = 4, 21, 120
_TO_COME = 2  # what isn't opened in the next shutdown waits for the one after it


@dataclass(frozen=True, kw_only=True)
class Turnaround:
    """One shutdown of one area."""

    code: str
    name: str
    starts_on: date
    ends_on: date
    area: str
    scope_freeze_on: date


@dataclass(frozen=True, kw_only=True)
class Closure:
    """Days on which the maker of the kits neither works nor delivers."""

    code: str
    name: str
    starts_on: date
    ends_on: date


def closures(*, as_of: date) -> list[Closure]:
    """Return the works holidays of this winter and the next."""
    return [
        Closure(
            code=f"WINTER-{year}",
            name="works holiday of the kits' maker",
            starts_on=date(year, 12, 24),
            ends_on=date(year + 1, 1, 3),
        )
        for year in (as_of.year, as_of.year + 1)
    ]


def is_turnaround_year(area: Area, year: int) -> bool:
    """Say whether an area stands still in a year."""
    return (year - area.turnaround_last) % area.turnaround_every_years == 0


def turnaround_code(area: Area, year: int) -> str:
    """Name the shutdown of an area in a year."""
    return f"TA-{year}-{area.letter}"


def starts_on(area: Area, year: int) -> date:
    """Say when the shutdown of an area in a year begins."""
    return date(year, area.turnaround_month, _FIRST_DAY)


def turnarounds(*, as_of: date) -> list[Turnaround]:
    """Return the shutdowns since the records began, and of each area the next two that begin after `as_of`."""
    found: list[Turnaround] = []
    for area in AREAS:
        year, to_come = area.written_since.year, 0
        while to_come < _TO_COME:
            if is_turnaround_year(area, year):
                found.append(_turnaround(area, year))
                to_come += found[-1].starts_on > as_of
            year += 1
    return found


def _turnaround(area: Area, year: int) -> Turnaround:
    begin = starts_on(area, year)
    return Turnaround(
        code=turnaround_code(area, year),
        name=f"{area.name}, {begin:%B %Y}",
        starts_on=begin,
        ends_on=begin + timedelta(_DAYS),
        area=area.code,
        scope_freeze_on=begin - timedelta(_FREEZE_DAYS),
    )
