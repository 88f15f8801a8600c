"""Databases copied from a prepared one: a file, or a template of the server; for tests that begin alike."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from sqlalchemy import NullPool, create_engine

DATABASES = ("sqlite", "postgresql")
NUMBERS = count(1)


@contextmanager
def copied(url: str) -> Iterator[str]:
    """Copy a database that nobody is connected to, for as long as the context."""
    place, _, name = url.rpartition("/")
    copy = f"copy_{next(NUMBERS)}"
    if url.startswith("sqlite"):
        path = Path(url.removeprefix("sqlite:///"))
        shutil.copyfile(path, path.with_name(copy))
        yield f"{place}/{copy}"
    else:
        execute(f"{place}/postgres", f"CREATE DATABASE {copy} TEMPLATE {name}")
        yield f"{place}/{copy}"
        execute(f"{place}/postgres", f"DROP DATABASE {copy} WITH (FORCE)")


def execute(url: str, *statements: str) -> None:
    """Execute statements on a PostgreSQL server, each at once."""
    engine = create_engine(
        url.replace("postgresql:", "postgresql+psycopg:"), poolclass=NullPool, isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
