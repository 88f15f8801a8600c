"""The kits of a design as the bench needs them: parts, what is always replaced, where they lie, what may be fitted."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import msgspec

from models.base import Session, code_key
from models.queries.files import FILES
from models.queries.rows import StoredRow, read_part, stored_rows
from service.schemas.rebuild_sheet import SheetKitOut, SheetLotOut, SheetPartOut, SheetStockOut
from service.schemas.records import KitPartRecord, KitRecord, LotRecord, MaterialRecord, PartRecord
from service.translate_shelf_life import UNLIMITED, ShelfLife, expires_on, shelf_lives

Values = Mapping[str, Any]
MOST_ROWS = 1000


def kits_of_design(session: Session, design: str | None, *, today: date) -> list[SheetKitOut]:
    """Read the kits that a design takes.

    Parameters
    ----------
    session : Session
        A reader's.
    design : str or None
        Its code; None takes no kit.
    today : date
        What expired before it isn't usable.

    Returns
    -------
    list of SheetKitOut
        In the order in which the record names them.
    """
    if design is None:
        return []
    row = _named(session, "designs", design)
    lines: dict[str, list[Values]] = {}
    for line in _of(session, "design_kits", design_id=row.id):
        if line["kit"] is not None:
            lines.setdefault(line["kit"], []).append(line)
    return [_kit(session, code, of_kit, today) for code, of_kit in lines.items()]


def with_successors(session: Session, kits: Sequence[SheetKitOut], *, today: date) -> list[SheetKitOut]:
    """Put behind each superseded kit those that took its place, for a shelf may hold either.

    Parameters
    ----------
    session : Session
        A reader's.
    kits : sequence of SheetKitOut
        As `kits_of_design` gives them.
    today : date
        As there.

    Returns
    -------
    list of SheetKitOut
        A successor renews the items that the kit renewed which it supersedes; each kit once.
    """
    found: dict[str, SheetKitOut] = {}
    waiting = list(reversed(kits))
    while waiting:
        kit = waiting.pop()
        if kit.kit in found:
            continue
        found[kit.kit] = kit
        if kit.superseded_by is not None:
            waiting.append(_successor(session, kit, today))
    return list(found.values())


def read_described(session: Session, file: str, code: str | None) -> Values:
    """Read what a code is described by; one that is only named has empty columns.

    Parameters
    ----------
    session : Session
        A reader's.
    file : str
        Where it stands.
    code : str or None
        None is described by nothing.

    Returns
    -------
    mapping
        By column.
    """
    return {} if code is None else _named(session, file, code).values


def _named(session: Session, file: str, code: str) -> StoredRow:
    key = (code_key(code),)
    return stored_rows(session, FILES[file], [key])[key]


def _of(session: Session, file: str, **of: int) -> Sequence[Values]:
    return [row.values for row in read_part(session, FILES[file], after=0, limit=MOST_ROWS, of=of)]


def _successor(session: Session, kit: SheetKitOut, today: date) -> SheetKitOut:
    line = {"qty": kit.qty, "on_opening": kit.on_opening}
    lines = [{**line, "maintainable_item": item} for item in kit.maintainable_items]
    return _kit(session, str(kit.superseded_by), lines, today)


def _kit(session: Session, code: str, lines: Sequence[Values], today: date) -> SheetKitOut:
    row = _named(session, "kits", code)
    of_kit = [KitPartRecord(**line) for line in _of(session, "kit_parts", kit_id=row.id)]
    parts = {line.part: PartRecord(**read_described(session, "parts", line.part)) for line in of_kit}
    materials = {part.material for part in parts.values() if part.material is not None}
    described = [MaterialRecord(**read_described(session, "materials", material)) for material in materials]
    life = shelf_lives([KitRecord(**row.values)], of_kit, parts.values(), described).get(code)
    return SheetKitOut(
        kit=code,
        name=row.values["name"],
        maintainable_items=[line["maintainable_item"] for line in lines],
        qty=max(line["qty"] or 1 for line in lines),
        on_opening=any(line["on_opening"] for line in lines),
        superseded_by=row.values["superseded_by"],
        parts=[_part(line, parts[line.part]) for line in of_kit],
        stock=[_stock(line) for line in _of(session, "stock", kit_id=row.id)],
        lots=[_lot(LotRecord(**line), life, today) for line in _of(session, "lots", kit_id=row.id)],
    )


def _part(line: KitPartRecord, part: PartRecord) -> SheetPartOut:
    return SheetPartOut(part=part.code, name=part.name, material=part.material, qty=line.qty or 1)


def _stock(line: Values) -> SheetStockOut:
    return msgspec.convert({name: line[name] for name in SheetStockOut.__struct_fields__}, SheetStockOut)


def _lot(lot: LotRecord, life: ShelfLife | None, today: date) -> SheetLotOut:
    last = expires_on(lot, life)
    keeps_for_ever = life is not None and life.days == UNLIMITED
    return SheetLotOut(
        storeroom=lot.storeroom,
        lot=lot.lot,
        qty=lot.qty,
        cured_on=lot.cured_on,
        expires_on=last,
        usable=last >= today if last is not None else True if keeps_for_ever else None,
    )
