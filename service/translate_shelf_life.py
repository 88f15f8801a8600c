"""From materials, parts and lots to what expires when; the clock of rubber is its cure date."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from forecasting.lots import Lot, lots_left
from service.schemas.records import KitPartRecord, KitRecord, LotRecord, MaterialRecord, PartRecord

UNLIMITED = float("inf")
NEVER = UNLIMITED
Key = tuple[str, str]
"""Storeroom and kit."""


@dataclass(frozen=True, kw_only=True)
class ShelfLife:
    """How long a kit keeps, in days, and who says so; `unsaid` parts could keep for less."""

    days: float
    source: str
    unsaid: tuple[str, ...] = ()


def _part_life(part: PartRecord, materials: Mapping[str, MaterialRecord]) -> tuple[float | None, str]:
    """Days a part keeps and who says so: itself, else its material."""
    if part.shelf_life_days is not None:
        return float(part.shelf_life_days), f"part {part.code}"
    material = None if part.material is None else materials.get(part.material)
    if material is None or material.storage_life_days is None:
        return None, ""
    edition = f" ({', '.join(filter(None, [material.source, material.edition]))})"
    named = f"material {material.code} of part {part.code}{edition if edition != ' ()' else ''}"
    stated = material.storage_life_days
    return UNLIMITED if stated == "unlimited" else float(stated), named


def shelf_lives(
    kits: Iterable[KitRecord],
    kit_parts: Iterable[KitPartRecord],
    parts: Iterable[PartRecord],
    materials: Iterable[MaterialRecord],
) -> dict[str, ShelfLife]:
    """Say how long each kit keeps: as it says itself, else the least of its parts', else of their materials'.

    Parameters
    ----------
    kits, kit_parts, parts, materials : iterables of records
        As imported.

    Returns
    -------
    dict from kit to ShelfLife
        A kit is absent if nothing is known; unlimited is known.
    """
    part_of, material_of = {part.code: part for part in parts}, {one.code: one for one in materials}
    made_of: dict[str, list[str]] = defaultdict(list)
    for line in kit_parts:
        made_of[line.kit].append(line.part)
    lives = {}
    for kit in kits:
        if kit.shelf_life_days:
            lives[kit.code] = ShelfLife(days=float(kit.shelf_life_days), source="kit")
            continue
        told = [
            (*_part_life(part_of.get(code, PartRecord(code=code)), material_of), code) for code in made_of[kit.code]
        ]
        known = [(days, source) for days, source, _ in told if days]
        if known:
            days, source = min(known)
            unsaid = tuple(code for life, _, code in told if life is None)
            lives[kit.code] = ShelfLife(days=days, source=source, unsaid=unsaid)
    return lives


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """Lots of a kit in a storeroom as they count, and what must be said of them."""

    lots: tuple[Lot, ...]
    warnings: tuple[str, ...]


def expires_on(lot: LotRecord, life: ShelfLife | None) -> date | None:
    """Say on which day a lot may be used last: as stated, else a shelf life after it was cured.

    Parameters
    ----------
    lot : LotRecord
        As imported.
    life : ShelfLife or None
        Of its kit.

    Returns
    -------
    date or None
        None: nobody knows, or never.
    """
    if lot.expires_on is not None or lot.cured_on is None or life is None or life.days == UNLIMITED:
        return lot.expires_on
    return date.fromordinal(min(lot.cured_on.toordinal() + int(life.days), date.max.toordinal()))


def shelves(
    lots: Iterable[LotRecord],
    on_hand: Mapping[Key, int],
    lives: Mapping[str, ShelfLife],
    counts_as: Mapping[str, str],
    *,
    as_of: date,
) -> dict[Key, Shelf]:
    """Say what expires when in every storeroom.

    Parameters
    ----------
    lots : iterable of LotRecord
        As imported.
    on_hand : mapping from (storeroom, kit) to int
        As counted; it holds where lots sum to another number.
    lives : mapping from kit to ShelfLife
        As `shelf_lives` gives them.
    counts_as : mapping from kit to kit
        Superseded kits whose stock counts for their successor.
    as_of : date
        Data cut-off; a lot may be used on the day it expires, not after.

    Returns
    -------
    dict from (storeroom, kit) to Shelf
        Where there are lots.
    """
    found: dict[Key, list[Lot]] = defaultdict(list)
    undated: dict[Key, int] = defaultdict(int)
    for lot in lots:
        key, life = (lot.storeroom, counts_as.get(lot.kit, lot.kit)), lives.get(lot.kit)
        last = expires_on(lot, life)
        if last is None and (life is None or life.days != UNLIMITED):
            undated[key] += lot.qty
        left = NEVER if last is None else max(float((last - as_of).days), 0.0)
        found[key].append(Lot(expires=left, qty=lot.qty))
    return {
        key: Shelf(
            lots=lots_left(own, on_hand=on_hand.get(key, 0)), warnings=_said(own, on_hand.get(key, 0), undated[key])
        )
        for key, own in found.items()
    }


def _said(lots: Iterable[Lot], on_hand: int, undated: int) -> tuple[str, ...]:
    """Name what lots don't say, or say otherwise than the count."""
    together = sum(lot.qty for lot in lots)
    said = (
        (together > on_hand, f"lots hold {together}, the count {on_hand}: those that expire first are taken as used"),
        (together < on_hand, f"lots hold {together}, the count {on_hand}: of the others nobody knows when they expire"),
        (undated > 0, f"{undated} in lots of which nobody knows when they expire"),
    )
    return tuple(text for holds, text in said if holds)
