"""Places of valves and the exchanges done there: what a pool of spares is told from."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlmodel import col

from models.base import Session
from models.events import Event
from models.findings import TagMerge
from models.register import Design, Valve


@dataclass(frozen=True, kw_only=True)
class Exchange:
    """A valve put in the place of another; `serial_fitted` is the new one's."""

    event: int
    done_on: str
    serial_fitted: str | None


@dataclass(frozen=True, kw_only=True)
class Place:
    """A place with a valve in it: its id, what the register calls it and the valve, and its exchanges in order."""

    valve: int
    tag: str
    design: str | None
    serial: str | None
    removed: bool
    exchanges: tuple[Exchange, ...]


def places(session: Session, *, voided: Collection[int]) -> list[Place]:
    """Read every place that has a serial or an exchange.

    Parameters
    ----------
    session : Session
        A reader's.
    voided : collection of ids
        Events that aren't read.

    Returns
    -------
    list of Place
        In order of designs, those without one last, then of tags; exchanges of a merged tag are its valve's.
    """
    exchanged: dict[int, list[Exchange]] = {}
    place = func.coalesce(col(TagMerge.into_valve_id), col(Event.valve_id))
    events = (
        select(place, col(Event.id), col(Event.done_on), col(Event.serial_fitted))
        .select_from(Event)
        .outerjoin(TagMerge, col(TagMerge.valve_id) == col(Event.valve_id))
    )
    in_use = events.where(col(Event.action) == "exchange", col(Event.id).not_in(voided))
    of_kind = in_use.order_by(col(Event.done_on), col(Event.id))
    for valve, event, done_on, serial in session.execute(of_kind):
        exchange = Exchange(event=event, done_on=done_on, serial_fitted=serial)
        exchanged.setdefault(valve, []).append(exchange)
    valves = (
        select(col(Valve.id), col(Valve.tag), col(Design.code), col(Valve.serial), col(Valve.removed_on))
        .outerjoin(Design, col(Design.id) == col(Valve.design_id))
        .where(col(Valve.id).not_in(select(col(TagMerge.valve_id))))
        .order_by(col(Design.code_key).is_(None), col(Design.code_key), col(Valve.tag_key))
    )
    return [
        Place(
            valve=valve,
            tag=tag,
            design=design,
            serial=serial,
            removed=removed_on is not None,
            exchanges=tuple(exchanged.get(valve, ())),
        )
        for valve, tag, design, serial, removed_on in session.execute(valves)
        if serial is not None or valve in exchanged
    ]
