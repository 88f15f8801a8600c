"""The files of the record: which table holds each, how its rows are known, what its columns refer to.

A new file of the record is a new entry here and a Struct in `service/schemas/records.py`; the queries
beside this module and the import read both and need no change.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Table
from sqlmodel import SQLModel

from models.events import Event, EventAsFound, EventKit, EventRenewed
from models.kits import DesignKit, Kit, KitPart, KitRenews, Material, Part
from models.register import (
    Area,
    Design,
    MaintainableItem,
    Policy,
    RebuildCost,
    ServiceClass,
    Valve,
    ValveLastRenewal,
)
from models.stock import ConsequenceTarget, Issue, Lot, Order, Reservation, Stock, StockSetting, Storeroom
from models.turnarounds import Closure, ScopeLine, Turnaround, TurnaroundArea

Row = Mapping[str, Any]  # column of the file -> value; codes, never ids

ITEMS = "maintainable_items"
EVERY_MEMBER = ""  # stands for the code of a member that is not named: a date for the whole valve


@dataclass(frozen=True)
class Plain:
    """A column stored as it is."""

    name: str


@dataclass(frozen=True)
class Code:
    """A code of the row itself: stored as given, with what it is compared by beside it in `<name>_key`."""

    name: str


@dataclass(frozen=True)
class Reference:
    """The code of a row of another file, stored as that row's id.

    `makes_rows`: a code that isn't there becomes a row that says nothing else, though its file keeps no stubs.
    """

    name: str
    file: str
    stored: str
    makes_rows: bool = False


@dataclass(frozen=True)
class Members:
    """Codes of another file joined in one cell, each a row of a table of its own, with a value or without.

    `owner` and `member` are that table's columns of ids, `value` its column of values.
    """

    name: str
    file: str
    table: Table
    owner: str
    member: str
    value: str | None = None


Column = Plain | Code | Reference | Members


@dataclass(frozen=True, kw_only=True)
class RecordFile:
    """One file of the record.

    `key` names the columns a row is known by and `required` those of them that no file can do without.
    `known_by` and `order` are columns of the file or of the table: what the key of an Identity holds, and
    the order of reading.
    """

    name: str
    table: Table
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    required: tuple[str, ...]
    known_by: tuple[str, ...]
    order: tuple[str, ...]

    @property
    def has_stubs(self) -> bool:
        """Whether a code named elsewhere makes a row here before anybody described it."""
        return "described" in self.table.c

    @property
    def code_column(self) -> str:
        """The column that other files name a row by."""
        return self.key[0]

    @property
    def members(self) -> tuple[Members, ...]:
        """The columns with many codes in a cell."""
        return tuple(column for column in self.columns if isinstance(column, Members))

    @property
    def references(self) -> tuple[Reference | Members, ...]:
        """The columns that name rows of files."""
        return tuple(column for column in self.columns if isinstance(column, Reference | Members))

    def column(self, name: str) -> Column:
        """Look up one column by its header."""
        return next(column for column in self.columns if column.name == name)


def _table(model: type[SQLModel]) -> Table:
    table: Table = model.metadata.tables[str(model.__tablename__)]
    return table


def _plain(names: str) -> tuple[Plain, ...]:
    return tuple(Plain(name) for name in names.split())


def _refer(name: str, file: str, *, stored: str = "") -> Reference:
    return Reference(name, file, stored or f"{name}_id")


def _items(name: str, model: type[SQLModel], owner: str, *, value: str | None = None) -> Members:
    return Members(name, ITEMS, _table(model), owner, "maintainable_item_id", value)


def _file(
    model: type[SQLModel],
    key: tuple[str, ...],
    *columns: Column,
    required: tuple[str, ...] = (),
    known_by: tuple[str, ...] = (),
    order: tuple[str, ...] = (),
) -> RecordFile:
    table = _table(model)
    return RecordFile(
        name=f"{table.name}",  # a plain str: the name of a table is a subclass that JSON encoders refuse
        table=table,
        columns=columns,
        key=key,
        required=required or key,
        known_by=known_by or key,
        order=order or key,
    )


# Every file after those it refers to: an import in this order makes stubs only of what nobody describes.
FILES: dict[str, RecordFile] = {
    file.name: file
    for file in (
        _file(Storeroom, ("code",), Code("code"), *_plain("name review_period_days")),
        _file(
            Area,
            ("code",),
            Code("code"),
            *_plain("name records_begin_on"),
            _refer("storeroom", "storerooms"),
        ),
        _file(ServiceClass, ("code",), Code("code"), *_plain("name description")),
        _file(MaintainableItem, ("code",), Code("code"), *_plain("name")),
        _file(
            Policy,
            ("service_class", "maintainable_item"),
            _refer("service_class", "service_classes"),
            _refer("maintainable_item", ITEMS),
            *_plain("policy interval_days"),
        ),
        _file(
            Design,
            ("code",),
            Code("code"),
            *_plain("name body_size rating actuator_air_limit_kpa leakage_class seat_diameter_mm rated_capacity_kv"),
        ),
        _file(Material, ("code",), Code("code"), *_plain("name storage_life_days edition source")),
        _file(
            Part,
            ("code",),
            Code("code"),
            *_plain("name"),
            _refer("material", "materials"),
            *_plain("unit_cost priced_on shelf_life_days"),
        ),
        _file(
            Kit,
            ("code",),
            Code("code"),
            *_plain("name"),
            _items("renews", KitRenews, "kit_id"),
            *_plain("unit_cost priced_on lead_time_days lead_time_sd_days min_order_qty pack_qty"),
            *_plain("shelf_life_days expedited_lead_time_days expediting_cost cancelling_cost"),
            _refer("superseded_by", "kits"),
            *_plain("superseded_on old_fits_new_need"),
        ),
        _file(KitPart, ("kit", "part"), _refer("kit", "kits"), _refer("part", "parts"), *_plain("qty")),
        _file(
            DesignKit,
            ("design", "maintainable_item"),
            _refer("design", "designs"),
            _refer("maintainable_item", ITEMS),
            _refer("kit", "kits"),
            *_plain("qty on_opening"),
        ),
        _file(
            RebuildCost,
            ("design", "maintainable_item"),
            _refer("design", "designs"),
            _refer("maintainable_item", ITEMS),
            *_plain("planned_hours planned_cost unplanned_cost opening_hours"),
        ),
        _file(
            Turnaround,
            ("code",),
            Code("code"),
            *_plain("name starts_on ends_on"),
            Members("areas", "areas", _table(TurnaroundArea), "turnaround_id", "area_id"),
            *_plain("scope_freeze_on"),
        ),
        _file(Closure, ("code",), Code("code"), *_plain("name starts_on ends_on")),
        _file(
            Valve,
            ("tag",),
            Code("tag"),
            *_plain("serial"),
            _refer("design", "designs"),
            _refer("service_class", "service_classes"),
            _refer("area", "areas"),
            *_plain("installed_on records_begin_on"),
            _items("last_renewed_on", ValveLastRenewal, "valve_id", value="renewed_on"),
            *_plain("removed_on consequence safety_related isolable_on_run proof_test_due_on"),
        ),
        _file(
            Event,
            ("ref", "tag"),
            Plain("ref"),
            Reference("tag", "valves", "valve_id", makes_rows=True),
            *_plain("found_on done_on action reason"),
            _refer("turnaround", "turnarounds"),
            _items("as_found", EventAsFound, "event_id", value="state"),
            *_plain("failure_mode last_ok_on"),
            _items("renewed", EventRenewed, "event_id"),
            Members("kits_used", "kits", _table(EventKit), "event_id", "kit_id", "qty"),
            _refer("service_class_from", "service_classes"),
            *_plain("serial_fitted labour_hours cost note"),
            required=("tag",),
            known_by=("ref_key",),
            order=("tag", "done_on", "action", "number", "ref_key"),
        ),
        _file(
            StockSetting,
            ("storeroom", "kit"),
            _refer("storeroom", "storerooms"),
            _refer("kit", "kits"),
            *_plain("rule target floor_qty present_reorder_point present_order_quantity"),
        ),
        _file(ConsequenceTarget, ("consequence",), *_plain("consequence rule target cost_of_failure")),
        _file(
            Stock,
            ("storeroom", "kit"),
            _refer("storeroom", "storerooms"),
            _refer("kit", "kits"),
            *_plain("on_hand counted_on bin"),
        ),
        _file(
            Lot,
            ("storeroom", "kit", "lot"),
            _refer("storeroom", "storerooms"),
            _refer("kit", "kits"),
            Code("lot"),
            *_plain("cured_on expires_on qty"),
        ),
        _file(
            Order,
            ("ref", "line"),
            Code("ref"),
            Code("line"),
            _refer("storeroom", "storerooms"),
            _refer("kit", "kits"),
            *_plain("ordered_on due_on qty received_on received_qty"),
        ),
        _file(
            Reservation,
            ("ref", "kit"),
            Code("ref"),
            _refer("kit", "kits"),
            _refer("storeroom", "storerooms"),
            *_plain("qty needed_on"),
            _refer("turnaround", "turnarounds"),
            _refer("tag", "valves", stored="valve_id"),
        ),
        _file(
            Issue,
            ("ref", "kit"),
            Code("ref"),
            _refer("kit", "kits"),
            _refer("storeroom", "storerooms"),
            *_plain("issued_on qty reason"),
            _refer("tag", "valves", stored="valve_id"),
        ),
        _file(
            ScopeLine,
            ("turnaround", "tag"),
            _refer("turnaround", "turnarounds"),
            _refer("tag", "valves", stored="valve_id"),
            *_plain("decision reason decided_by"),
        ),
    )
}


def made_by_naming(reference: Reference | Members) -> bool:
    """Say whether a code that a column names is made if it isn't there.

    Parameters
    ----------
    reference : Reference or Members
        The column.

    Returns
    -------
    bool
        False where such a code is an error.
    """
    return FILES[reference.file].has_stubs or (isinstance(reference, Reference) and reference.makes_rows)
