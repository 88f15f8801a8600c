"""Many new rows at once: COPY on PostgreSQL, executemany on SQLite, both past the per-row costs of a statement."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, cast

import psycopg
from sqlalchemy import Connection, Dialect, Table, insert, text
from sqlalchemy.exc import DBAPIError

from models.base import Session

Columns = Mapping[str, Sequence[Any]]


def new_ids(session: Session, table: Table, count: int) -> list[int]:
    """Give ids to rows that aren't stored yet.

    Parameters
    ----------
    session : Session
        Of a write transaction; there is one at a time.
    table : Table
        Whose `id` they are for.
    count : int
        How many.

    Returns
    -------
    list of int
        Rising, and larger than any there is.
    """
    if session.get_bind().dialect.name == "postgresql":
        sequence = "SELECT nextval(pg_get_serial_sequence(:table, 'id')) FROM generate_series(1, :count)"
        return list(session.execute(text(sequence), {"table": table.name, "count": count}).scalars())
    largest = session.execute(text(f"SELECT coalesce(max(id), 0) FROM {table.name}")).scalar_one()  # noqa: S608
    return list(range(largest + 1, largest + 1 + count))


def insert_columns(session: Session, table: Table, columns: Columns) -> None:
    """Insert rows given column by column.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    table : Table
        Where they go.
    columns : mapping
        Column of the table -> its values, one for each row; a column left out is NULL or numbered by the database.
    """
    connection = session.connection()
    rows = zip(*(_bound(table, name, values, connection.dialect) for name, values in columns.items()), strict=True)
    write = _copy if connection.dialect.name == "postgresql" else _execute_many
    write(connection, table, list(columns), rows)


def _bound(table: Table, name: str, values: Sequence[Any], dialect: Dialect) -> Iterable[Any]:
    """Turn values to what the driver takes."""
    process: Callable[[Any], Any] | None = table.c[name].type.dialect_impl(dialect).bind_processor(dialect)
    return values if process is None else map(process, values)


def _execute_many(connection: Connection, table: Table, names: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    statement = insert(table).compile(dialect=connection.dialect, column_keys=names).string
    order = [column.name for column in table.c if column.name in names]
    places = [names.index(name) for name in order]
    some = list(rows) if places == sorted(places) else [tuple(row[place] for place in places) for row in rows]
    if some:
        connection.exec_driver_sql(statement, some)


def _copy(connection: Connection, table: Table, names: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    driver = cast("psycopg.Connection[Any]", connection.connection.driver_connection)
    statement = f"COPY {table.name} ({', '.join(names)}) FROM STDIN"
    try:
        with driver.cursor() as cursor, cursor.copy(statement.encode()) as copy:
            for row in rows:
                copy.write_row(row)
    except psycopg.Error as error:
        raise DBAPIError.instance(statement, None, error, psycopg.Error, dialect=connection.dialect) from error
