"""The rebuild sheet of a valve, as it leaves."""

from collections.abc import Sequence
from datetime import date

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import CAUTIONS


class SheetPartOut(Struct, kw_only=True):
    """A part of a kit."""

    part: str
    name: str | None
    material: str | None
    qty: int


class SheetLotOut(Struct, kw_only=True):
    """Kits on a shelf that came together; seals older than `expires_on` are not fitted.

    Where the lot states no such day, it is a shelf life after it was cured. `usable` is null where neither is known.
    """

    storeroom: str
    lot: str
    qty: int
    cured_on: date | None
    expires_on: date | None
    usable: bool | None


class SheetStockOut(Struct, kw_only=True):
    """How many lie in a storeroom, and in which bin."""

    storeroom: str
    on_hand: int
    counted_on: date | None
    bin: str | None


class SheetKitOut(Struct, kw_only=True):
    """A kit the valve takes; `on_opening` is replaced whenever the valve is opened."""

    kit: str
    name: str | None
    maintainable_items: Sequence[str]
    qty: int
    on_opening: bool
    superseded_by: str | None
    parts: Sequence[SheetPartOut]
    stock: Sequence[SheetStockOut]
    lots: Sequence[SheetLotOut]


class SeatLeakageOut(Struct, kw_only=True):
    """What the seat may leak on test, and what a recorded value is beside it: within, too much, not judged."""

    leakage_class: str | None
    allowed_ml_per_min: float | None
    fluid: str
    pressure_drop_kpa: float | None
    pressure_drop_psi: float | None
    method: str
    edition: str
    reason: str | None
    as_left_ml_per_min: float | None
    verdict: str | None


class SheetCheckOut(Struct, kw_only=True):
    """What to check; `to_record` is what to write down, with its unit; `source` is of a value in it."""

    check: str
    to_record: Sequence[str] = ()
    source: str | None = None


class RebuildSheetOut(Struct, kw_only=True):
    """What a technician needs at the bench: kits with parts and stock, what to check and record, cautions."""

    tag: str
    serial: str | None
    design: str | None
    body_size: str | None
    rating: str | None
    service_class: str | None
    area: str | None
    actuator_air_limit_kpa: float | None
    actuator_air_limit_psi: float | None
    kits: Sequence[SheetKitOut]
    seat_leakage: SeatLeakageOut
    checks: Sequence[SheetCheckOut]
    cautions: Sequence[str] = CAUTIONS
    notice: str | UnsetType = UNSET
