"""Days known to the month or year, as day numbers: the middle of what they may be, and how far that spreads."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from forecasting.endings import scope
from forecasting.histories import Event
from models.partial_days import first_day, last_day
from service.schemas.records import EventRecord


@dataclass(frozen=True, kw_only=True)
class Span:
    """The days that a partial day may be, first and last, as day numbers."""

    first: int
    last: int

    @property
    def middle(self) -> int:
        """The day it is taken for."""
        return (self.first + self.last) // 2

    @property
    def spread(self) -> int:
        """Days from the first to the last."""
        return self.last - self.first

    def ending(self, day: int) -> "Span":
        """Return it without what lies after a day, unless it lies there whole."""
        return Span(first=self.first, last=min(self.last, max(day, self.first)))


@dataclass(frozen=True, kw_only=True)
class EventDays:
    """When an event was found and done; found None: not stated."""

    found: Span | None
    done: Span


def span_of(day: str) -> Span:
    """Say which days a partial day may be.

    Parameters
    ----------
    day : str
        As it stands in the record.

    Returns
    -------
    Span
        One day where it is known.
    """
    return Span(first=first_day(day).toordinal(), last=last_day(day).toordinal())


def event_days(event: EventRecord, *, as_of: date) -> EventDays:
    """Say when an event was found and done: neither after the cut-off that it is read at, nor done before found.

    Parameters
    ----------
    event : EventRecord
        As it stands in the record.
    as_of : date
        Data cut-off.

    Returns
    -------
    EventDays
        The found day's middle isn't after the done day's.
    """
    done, found = span_of(event.done_on), None if event.found_on is None else span_of(event.found_on)
    if found is not None:
        done = Span(first=max(done.first, found.first), last=max(done.last, found.first))
    done = done.ending(as_of.toordinal())
    return EventDays(found=None if found is None else found.ending(done.last), done=done)


def installation_day(installed_on: str, *, removed_on: date | None, events: Iterable[Event]) -> int:
    """Take a day for an installation: before anything was done to the valve, where that may be.

    Parameters
    ----------
    installed_on : str
        As it stands in the record.
    removed_on : date or None
        None: still there.
    events : iterable of Event
        Those of the valve.

    Returns
    -------
    int [day number]
        The day itself where it is known.
    """
    span = span_of(installed_on)
    later = [event.found_first for event in events if event.found_first >= span.first]
    later += [] if removed_on is None else [removed_on.toordinal()]
    return span.ending(min(later, default=span.last)).middle


def renewal_day(renewed_on: str, item: str, *, items: tuple[str, ...], events: Iterable[Event]) -> int:
    """Take a day for a stated renewal: that of an event that tells of it, where there is one.

    Parameters
    ----------
    renewed_on : str
        As it stands in the record.
    item : str
        What was renewed.
    items : tuple of str
        Items of the valve's design.
    events : iterable of Event
        Those of the valve.

    Returns
    -------
    int [day number]
        The day itself where it is known.
    """
    span = span_of(renewed_on)
    told = (event.done for event in events if span.first <= event.done <= span.last and item in scope(event, items))
    return max(told, default=span.middle)
