"""From the turnarounds of the record to windows: their days to come, and when the next one is."""

from dataclasses import dataclass
from datetime import date, timedelta

from service.schemas.records import TurnaroundRecord
from service.translate import Records
from service.translate_demand import horizon

USUAL_GAP = 365
"""Days between turnarounds where the record doesn't show any (our convention)."""


@dataclass(frozen=True, kw_only=True)
class TurnaroundWindow:
    """A turnaround to come.

    Parameters
    ----------
    record : TurnaroundRecord
        As stated.
    starts_on, ends_on : date
        What is to come of it, both inclusive.
    next_on : dict from area to date
        When the next turnaround of each of its areas begins.
    assumed : tuple of str [words]
        What the record doesn't say.
    """

    record: TurnaroundRecord
    starts_on: date
    ends_on: date
    next_on: dict[str, date]
    assumed: tuple[str, ...]

    def days_to(self, as_of: date) -> int:
        """Days from the data cut-off to its first day."""
        return (self.starts_on - as_of).days

    def days_to_freeze(self, as_of: date) -> int:
        """Days until its scope is frozen; 0 if that is past or nobody said when."""
        freeze = self.record.scope_freeze_on
        return 0 if freeze is None else max((freeze - as_of).days, 0)


def windows_to_come(records: Records, *, as_of: date) -> tuple[TurnaroundWindow, ...]:
    """Find the turnarounds that aren't over and begin within the forecast's horizon.

    Parameters
    ----------
    records : Records
        As imported.
    as_of : date
        Data cut-off.

    Returns
    -------
    tuple of TurnaroundWindow
        By first day and code; those without a first day are left out.
    """
    windows = [
        _window(records, one, starts_on=max(one.starts_on, as_of + timedelta(days=1)), as_of=as_of)
        for one in records.turnarounds
        if one.starts_on is not None and max(one.starts_on, one.ends_on or one.starts_on) > as_of
    ]
    soon = [one for one in windows if one.starts_on <= horizon(as_of)]
    return tuple(sorted(soon, key=lambda one: (one.starts_on, one.record.code)))


def storerooms_after(records: Records, window: TurnaroundWindow, *, as_of: date) -> frozenset[str]:
    """Find the storerooms that serve a turnaround after this one.

    Parameters
    ----------
    records : Records
        As imported.
    window : TurnaroundWindow
        This one.
    as_of : date
        Data cut-off.

    Returns
    -------
    frozenset of str [codes]
        Of the areas of the later ones, where a storeroom is stated.
    """
    order = [(one.starts_on, one.record.code) for one in windows_to_come(records, as_of=as_of)]
    later = {code for day, code in order if (day, code) > (window.starts_on, window.record.code)}
    areas = {area for one in records.turnarounds if one.code in later for area in one.areas}
    return frozenset(one.storeroom for one in records.areas if one.code in areas and one.storeroom)


def _window(records: Records, record: TurnaroundRecord, *, starts_on: date, as_of: date) -> TurnaroundWindow:
    assumed = []
    if record.scope_freeze_on is None:
        assumed.append(f"scope_freeze_on isn't stated: all that fails after {as_of} counts as emergent")
    next_on = {}
    for area in record.areas:
        later = _starts(records, area, after=record.starts_on or starts_on)
        if not later:
            gap = _gap(records, area, record.starts_on or starts_on)
            assumed.append(
                f"no later turnaround of area {area} is in the record: the next one is assumed {gap} days on"
            )
            later = [starts_on + timedelta(days=gap)]
        next_on[area] = later[0]
    return TurnaroundWindow(
        record=record,
        starts_on=starts_on,
        ends_on=max(record.ends_on or starts_on, starts_on),
        next_on=next_on,
        assumed=tuple(assumed),
    )


def _starts(records: Records, area: str, *, after: date) -> list[date]:
    """First days of the turnarounds of an area after one."""
    starts = {one.starts_on for one in records.turnarounds if area in one.areas and one.starts_on is not None}
    return sorted(day for day in starts if day > after)


def _gap(records: Records, area: str, starts_on: date) -> int:
    """Days since the turnaround of an area before this one, else the usual gap."""
    before = [day for day in _starts(records, area, after=date.min) if day < starts_on]
    return (starts_on - before[-1]).days if before else USUAL_GAP
