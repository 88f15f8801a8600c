"""The server, a scheduler and a backup as they are, but ended by SIGKILL at a named point after they were told to be.

Once `point` in its folder names a point, the process ends when it has met that point as often as `point` says, having
noted it in `hits`. The product knows nothing of it: its own functions are wrapped here, before it starts.
"""

import os
import signal
import sys
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from models import backups
from models.base import Session
from models.engine import open_engines
from models.queries import acceptances, records, runs
from service import cli, csv_tables, db, scheduled_work, scheduler
from service import server as server  # loaded once, before each server is forked
from service.schedule import NIGHTLY_RUN, Schedule
from service.use_cases import import_files, keep_copies
from service.use_cases import run_forecast as run_forecast

PART = 100  # rows; so that a small file has several parts, and the kill in the write leaves some of them unwritten
POINTS = ("before the write", "in the write", "before commit", "after commit")


def before(end: Callable[[], None], wrapped: Callable[..., Any]) -> Callable[..., Any]:
    """End before it is called."""

    def call(*arguments: Any, **named: Any) -> Any:
        end()
        return wrapped(*arguments, **named)

    return call


def after(end: Callable[[], None], wrapped: Callable[..., Any]) -> Callable[..., Any]:
    """End after it was called."""

    def call(*arguments: Any, **named: Any) -> Any:
        result = wrapped(*arguments, **named)
        end()
        return result

    return call


def arm(folder: Path) -> None:
    """Wrap what an import, a run, an acceptance and a backup go through."""
    met: Counter[str] = Counter()

    def end_at(point: str) -> None:
        wanted = folder / "point"
        if not wanted.exists():
            return
        name, _, times = wanted.read_text().partition("#")
        met[point] += name == point
        if met[point] >= int(times or 1):
            with (folder / "hits").open("a") as hits:
                hits.write(f"{point}\n")
            os.kill(os.getpid(), signal.SIGKILL)

    csv_tables.CHUNK_ROWS = PART
    for place, name, wrap, point in (
        (import_files, "_store", before, "before the write"),
        (records, "upsert", after, "in the write"),
        (runs, "store_results", after, "in the write"),
        (acceptances, "store_acceptance", after, "in the write"),
        (backups, "_write_through", before, "in the write"),
        (db, "end_writing", after, "before commit"),
        (Session, "commit", after, "after commit"),
    ):
        setattr(place, name, wrap(partial(end_at, point), getattr(place, name)))


def serve(folder: Path, database_url: str, port: int) -> None:
    """Run the command that serves."""
    arm(folder)
    sys.argv[1:] = ["--database", database_url, "serve", "--open", "--port", str(port)]
    cli.main()


def schedule(folder: Path, database_url: str, site: Schedule, at: datetime) -> None:
    """Look what is due, as a scheduler does every minute, and do it in this very process."""
    arm(folder)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    scheduler.now = lambda: at  # type: ignore[attr-defined]
    engines = open_engines(database_url)
    do = partial(_work, engines, site)
    scheduler.look(engines, NIGHTLY_RUN, site, do=do)
    engines.reader.dispose()


def _work(engines: Any, site: Schedule, claim: Any) -> None:
    scheduled_work.work(engines, claim, site)


def back_up(folder: Path, database_url: str, path: Path) -> None:
    """Run a backup."""
    arm(folder)
    keep_copies.back_up(database_url, path)
