"""Everything that is in a database, to show that nothing changed."""

from typing import Any

from sqlalchemy import inspect, select
from sqlmodel import SQLModel

from models.engine import Engines


def dump(engines: Engines) -> dict[str, list[tuple[Any, ...]]]:
    """Read every row of every table."""
    with engines.reader.connect() as connection:
        return {
            name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for name, table in SQLModel.metadata.tables.items()
        }


def constraint_texts(engines: Engines) -> dict[str, dict[str, str]]:
    """Read the CHECK constraints of each declared table by name."""
    inspector = inspect(engines.reader)
    return {
        table: {str(check["name"]): check["sqltext"] for check in inspector.get_check_constraints(table)}
        for table in SQLModel.metadata.tables
    }
