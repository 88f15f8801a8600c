"""A database with rows in every table: those of another one, the rest made up column by column."""

import re
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Float,
    Integer,
    LargeBinary,
    String,
    Table,
    func,
    insert,
    select,
)
from sqlmodel import SQLModel

from models.base import DaysOrUnlimited, ExactDecimal
from models.engine import Engines

AT = datetime(2026, 3, 1, 12, 30, tzinfo=UTC)
VALUES: dict[type, Any] = {
    Boolean: True,
    Integer: 1,
    Float: 0.5,
    String: "word",
    LargeBinary: b"bytes",
    Date: date(2026, 3, 1),
    DateTime: AT,
    ExactDecimal: Decimal("12.50"),
    DaysOrUnlimited: "unlimited",
    JSON: {"a": [1, "b"]},
}
OTHERS: dict[tuple[str, str], Any] = {
    ("signatures", "sha256"): "5e" * 32,
    ("scheduled_jobs", "status"): "finished",
    ("scheduled_jobs", "lease_ends_at"): None,
    # demand of an area: older versions hold no other
    ("run_demand", "storeroom"): "",
    ("run_demand", "service_class"): "",
    ("run_demand", "bucket"): "month",
    # taken of the running need: older versions hold no other
    ("acceptances", "turnaround"): None,
    ("acceptances", "turnaround_key"): None,
}


def fill(engines: Engines, filled: Engines) -> None:
    """Copy every row of one database into another, and put a row into every table that is still empty."""
    with filled.reader.connect() as there, engines.writer.begin() as here:
        for table in SQLModel.metadata.sorted_tables:
            rows = [dict(row) for row in there.execute(select(table)).mappings()]
            here.execute(insert(table), rows or [_made_up(here, table)])


def _made_up(connection: Connection, table: Table) -> dict[str, Any]:
    return {column.name: _value(connection, table, column) for column in table.columns}


def _value(connection: Connection, table: Table, column: Column[Any]) -> Any:
    if (table.name, column.name) in OTHERS:
        return OTHERS[table.name, column.name]
    for check in table.constraints:
        words = re.search(rf"\b{column.name} IN \('(\w*)'", str(getattr(check, "sqltext", "")))
        if words:
            return words[1]
    for key in column.foreign_keys:
        place = func.max if "into" in column.name else func.min
        return connection.execute(select(place(key.column))).scalar_one()
    kinds = (type(column.type), type(getattr(column.type, "impl", column.type)))
    return next(VALUES[kind] for of in kinds for kind in of.__mro__ if kind in VALUES)
