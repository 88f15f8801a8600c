"""The look-up at the bench: a part of a tag, the valves that have it, and for each its kits."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

import msgspec
from msgspec import structs

from models.base import Session
from models.engine import Engines
from models.queries.rows import StoredRow
from models.queries.valve_tags import valves_by_part
from service.db import read_session
from service.listings import Listing, Part
from service.schemas.look_up import LookUpOut
from service.schemas.rebuild_sheet import SheetKitOut, SheetLotOut
from service.schemas.records import ValveRecord
from service.schemas.results import Page
from service.use_cases.choose_run import notice
from service.use_cases.read_design_kits import kits_of_design, with_successors

OF_THE_KIT = ("kit", "name", "qty", "on_opening", "superseded_by")


@dataclass(frozen=True, kw_only=True)
class FoundValve:
    """A valve and its kits, each with those that took its place."""

    valve: ValveRecord
    kits: Sequence[SheetKitOut]


def find_valves(engines: Engines, part: str, *, today: date, offset: int, limit: int) -> Sequence[FoundValve]:
    """Find valves by a part of their tag.

    Parameters
    ----------
    engines : Engines
        The database.
    part : str
        As `models.queries.valve_tags` compares it.
    today : date
        What expired before it isn't usable.
    offset, limit : int [valves]
        Which part of what was found.

    Returns
    -------
    sequence of FoundValve
        By tag.
    """
    with read_session(engines) as session:
        return list(_found(session, valves_by_part(session, part, offset=offset, limit=limit), today))


def list_look_up(engines: Engines, part: str, *, today: date) -> Listing[LookUpOut]:
    """List the kits of the valves found by a part of their tag.

    Parameters
    ----------
    engines : Engines
        The database.
    part : str
        As for `find_valves`.
    today : date
        As there.

    Returns
    -------
    Listing
        One row per valve and kit; the rows of a valve stay together, so a part may hold a few more than asked for.
    """
    with read_session(engines) as session:
        top = Page[LookUpOut](value=(), notice=notice(session))

    def read(after: int, limit: int) -> Part[LookUpOut]:
        found = find_valves(engines, part, today=today, offset=after, limit=limit + 1)
        rows: list[LookUpOut] = []
        for number, one in enumerate(islice(found, limit)):
            if len(rows) >= limit:
                return Part(rows=rows, next_cursor=after + number)
            rows += rows_of(one)
        return Part(rows=rows, next_cursor=after + limit if len(found) > limit else None)

    return Listing(shape=LookUpOut, read=read, top=top)


def rows_of(found: FoundValve) -> list[LookUpOut]:
    """Lay a valve out as rows.

    Parameters
    ----------
    found : FoundValve
        With its kits.

    Returns
    -------
    list of LookUpOut
        One per kit; one without a kit if there is none.
    """
    valve = found.valve
    named = LookUpOut(tag=valve.tag, design=valve.design, service_class=valve.service_class, area=valve.area)
    return [_with_kit(named, kit) for kit in found.kits] or [named]


def _found(session: Session, rows: Sequence[StoredRow], today: date) -> Iterator[FoundValve]:
    of_design: dict[str | None, list[SheetKitOut]] = {}
    for row in rows:
        valve = msgspec.convert(row.values, ValveRecord)
        if valve.design not in of_design:
            kits = kits_of_design(session, valve.design, today=today)
            of_design[valve.design] = with_successors(session, kits, today=today)
        yield FoundValve(valve=valve, kits=of_design[valve.design])


def _with_kit(named: LookUpOut, kit: SheetKitOut) -> LookUpOut:
    lots = {_place(lot): lot for lot in kit.lots}
    return structs.replace(
        named,
        **{name: getattr(kit, name) for name in OF_THE_KIT},
        maintainable_items=list(kit.maintainable_items),
        part_qty={part.part: part.qty for part in kit.parts},
        stock_on_hand={stock.storeroom: stock.on_hand for stock in kit.stock},
        lot_qty={place: lot.qty for place, lot in lots.items()},
        cured_on={place: lot.cured_on for place, lot in lots.items() if lot.cured_on is not None},
        expires_on={place: lot.expires_on for place, lot in lots.items() if lot.expires_on is not None},
        expired_lots=[place for place, lot in lots.items() if lot.usable is False],
    )


def _place(lot: SheetLotOut) -> str:
    return f"{lot.storeroom}/{lot.lot}"
