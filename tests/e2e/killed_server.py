"""The server as it is, but ended by SIGKILL at a named point of the next import after it was told to be.

Once `point` in its folder names a point, the process ends there, having noted the point in `hits`. The product knows
nothing of it: its own functions are wrapped here, before it starts.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from models.base import Session
from models.queries import records
from service import cli, csv_tables, db
from service import server as server  # loaded once, before each server is forked
from service.use_cases import import_files

PART = 100  # rows; so that a small file has several parts, and the kill in the write leaves some of them unwritten
POINTS = ("before the write", "in the write", "before commit", "after commit")


def serve(folder: Path, database_url: str, port: int) -> None:
    """Wrap what an import goes through, and run the command that serves."""

    def end_at(point: str) -> None:
        wanted = folder / "point"
        if wanted.exists() and wanted.read_text() == point:
            with (folder / "hits").open("a") as hits:
                hits.write(f"{point}\n")
            os.kill(os.getpid(), signal.SIGKILL)

    def before(point: str, wrapped: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            end_at(point)
            return wrapped(*arguments, **named)

        return call

    def after(point: str, wrapped: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            result = wrapped(*arguments, **named)
            end_at(point)
            return result

        return call

    csv_tables.CHUNK_ROWS = PART
    for place, name, wrap, point in (
        (import_files, "_store", before, "before the write"),
        (records, "upsert", after, "in the write"),
        (db, "end_writing", after, "before commit"),
        (Session, "commit", after, "after commit"),
    ):
        setattr(place, name, wrap(point, getattr(place, name)))
    sys.argv[1:] = ["--database", database_url, "serve", "--open", "--port", str(port)]
    cli.main()
