"""Issues from the shelf, what events say of kits, and from which day they say it: read for comparing them."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import groupby
from typing import Any

from sqlalchemy import Select, func, select
from sqlmodel import col

from models.base import Session
from models.events import Event, EventKit, EventRenewed
from models.findings import TagMerge
from models.kits import DesignKit, Kit, KitRenews
from models.partial_days import first_day
from models.queries.codes import CHUNK
from models.register import Area, Valve
from models.stock import Issue

RENEWING = ("rebuild", "exchange")


@dataclass(frozen=True, kw_only=True)
class IssueLine:
    """An issue or a return; ids of its kit and of the valve it names, if it names one; a merged tag is its valve's."""

    kit: int
    valve: int | None
    issued_on: date
    qty: int


@dataclass(frozen=True, kw_only=True)
class EventScope:
    """A rebuild or an exchange: ids of its valve, of the valve's design, of items it renewed and kits it used."""

    id: int
    valve: int
    design: int | None
    action: str
    done_on: str
    renewed: frozenset[int] = frozenset()
    kits: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class DesignNeed:
    """What renewing an item of a design takes, as ids; `renews` are all items that the kit renews."""

    item: int
    kit: int
    qty: int
    renews: frozenset[int]


@dataclass(frozen=True, kw_only=True)
class KitCode:
    """A kit, and the kit that took its place, if one did."""

    id: int
    code: str
    superseded_by: int | None
    superseded_on: date | None


@dataclass(frozen=True, kw_only=True)
class Watch:
    """From which day the events of a valve are complete; None: nobody says, and its area has no event."""

    design: int | None
    installed_on: str | None
    removed_on: date | None
    begins_on: date | None


def issue_lines(session: Session) -> list[IssueLine]:
    """Read what left the shelves and came back.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    list of IssueLine
        In order of their days.
    """
    place = func.coalesce(col(TagMerge.into_valve_id), col(Issue.valve_id))
    issues = (
        select(col(Issue.kit_id), place, col(Issue.issued_on), col(Issue.qty))
        .select_from(Issue)
        .outerjoin(TagMerge, col(TagMerge.valve_id) == col(Issue.valve_id))
    )
    rows = session.execute(issues.order_by(col(Issue.issued_on), col(Issue.id)))
    return [IssueLine(kit=kit, valve=valve, issued_on=day, qty=qty) for kit, valve, day, qty in rows]


def event_scopes(session: Session, *, voided: Mapping[int, int | None]) -> Iterator[EventScope]:
    """Read which events renewed something, and what they say they renewed and used.

    Parameters
    ----------
    session : Session
        A reader's; stays open until the last event is taken.
    voided : mapping from id to id or None
        Events that aren't read, and the one that stands for both, which takes from them what it leaves unsaid.

    Returns
    -------
    iterator of EventScope
        In order of their ids, a part of them in memory at a time; those of a merged tag are its valve's.
    """
    return _in_use(session, _SCOPES, voided)


def event_scopes_where_exchanged(session: Session, *, voided: Mapping[int, int | None]) -> Iterator[EventScope]:
    """Read the same of those valves only that were ever exchanged.

    Parameters
    ----------
    session : Session
        A reader's; stays open until the last event is taken.
    voided : mapping from id to id or None
        Events that aren't read, and the one that stands for both, which takes from them what it leaves unsaid.

    Returns
    -------
    iterator of EventScope
        In order of their ids, a part of them in memory at a time; those of a merged tag are its valve's.
    """
    exchanged = select(_PLACE).select_from(Event).outerjoin(TagMerge, _MERGED).where(col(Event.action) == "exchange")
    return _in_use(session, _SCOPES.where(_PLACE.in_(exchanged)), voided)


def design_needs(session: Session) -> dict[int, list[DesignNeed]]:
    """Read what each design takes.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    dict of int to list of DesignNeed
        By design; items without a kit are left out.
    """
    renews: dict[int, set[int]] = {}
    for kit, item in session.execute(select(col(KitRenews.kit_id), col(KitRenews.maintainable_item_id))):
        renews.setdefault(kit, set()).add(item)
    needs: dict[int, list[DesignNeed]] = {}
    described = select(*(
        col(DesignKit.design_id),
        col(DesignKit.maintainable_item_id),
        col(DesignKit.kit_id),
        col(DesignKit.qty),
    )).where(col(DesignKit.kit_id).is_not(None))
    for design, item, kit, qty in session.execute(described.order_by(col(DesignKit.id))):
        covered = frozenset(renews.get(kit, set()) | {item})
        needs.setdefault(design, []).append(DesignNeed(item=item, kit=kit, qty=qty or 1, renews=covered))
    return needs


def kit_codes(session: Session) -> list[KitCode]:
    """Read the kits and what superseded them.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    list of KitCode
        In the order of their codes.
    """
    kits = select(col(Kit.id), col(Kit.code), col(Kit.superseded_by_id), col(Kit.superseded_on))
    rows = session.execute(kits.order_by(col(Kit.code_key)))
    return [KitCode(id=kit, code=code, superseded_by=by, superseded_on=on) for kit, code, by, on in rows]


def watches(session: Session, *, voided: Mapping[int, int | None]) -> list[Watch]:
    """Read from which day the events of each valve are complete: its own, else its area's, else the area's first event.

    Parameters
    ----------
    session : Session
        A reader's.
    voided : mapping from id to id or None
        Events that aren't read.

    Returns
    -------
    list of Watch
        One per valve; a merged tag is none.
    """
    firsts = session.execute(
        select(col(Valve.area_id), func.min(col(Event.done_on)))
        .select_from(Event)
        .outerjoin(TagMerge, _MERGED)
        .join(Valve, col(Valve.id) == _PLACE)
        .where(col(Event.id).not_in(voided))
        .group_by(col(Valve.area_id))
    )
    first_of = {area: first_day(day) for area, day in firsts}
    valves = (
        select(
            *(col(Valve.design_id), col(Valve.installed_on), col(Valve.removed_on), col(Valve.area_id)),
            func.coalesce(col(Valve.records_begin_on), col(Area.records_begin_on)),
        )
        .outerjoin(Area, col(Area.id) == col(Valve.area_id))
        .where(col(Valve.id).not_in(select(col(TagMerge.valve_id))))
    )
    return [
        Watch(design=design, installed_on=installed, removed_on=removed, begins_on=begins or first_of.get(area))
        for design, installed, removed, area, begins in session.execute(valves)
    ]


_MERGED = col(TagMerge.valve_id) == col(Event.valve_id)
_PLACE = func.coalesce(col(TagMerge.into_valve_id), col(Event.valve_id))
_COLUMNS: tuple[Any, ...] = (
    *(Event.id, _PLACE, Valve.design_id, Event.action, Event.done_on),
    *(EventRenewed.maintainable_item_id, EventKit.kit_id, EventKit.qty),
)
_SCOPES: Select[Any] = (
    select(*_COLUMNS)
    .select_from(Event)
    .outerjoin(TagMerge, _MERGED)
    .join(Valve, col(Valve.id) == _PLACE)
    .outerjoin(EventRenewed, col(EventRenewed.event_id) == col(Event.id))
    .outerjoin(EventKit, col(EventKit.event_id) == col(Event.id))
    .where(col(Event.action).in_(RENEWING))
    .order_by(col(Event.id))
    .execution_options(yield_per=CHUNK)
)


def _in_use(session: Session, statement: Select[Any], voided: Mapping[int, int | None]) -> Iterator[EventScope]:
    others: dict[int, list[EventScope]] = defaultdict(list)
    merged = [event for event, kept in voided.items() if kept is not None]
    for scope in _scopes(session, statement.where(col(Event.id).in_(merged))) if merged else ():
        others[voided[scope.id] or 0].append(scope)
    for scope in _scopes(session, statement.where(col(Event.id).not_in(voided))):
        for other in others.get(scope.id, ()):
            scope = replace(scope, renewed=scope.renewed or other.renewed, kits=scope.kits or other.kits)
        yield scope


def _scopes(session: Session, statement: Select[Any]) -> Iterator[EventScope]:
    for (event, valve, design, action, done_on), rows in groupby(session.execute(statement), key=lambda row: row[:5]):
        cells = [tuple(row[5:]) for row in rows]
        yield EventScope(
            id=event,
            valve=valve,
            design=design,
            action=action,
            done_on=done_on,
            renewed=frozenset(item for item, _, _ in cells if item is not None),
            kits={kit: qty for _, kit, qty in cells if kit is not None},
        )
