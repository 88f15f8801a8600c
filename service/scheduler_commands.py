"""Command line: the scheduler, alone or beside the server."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from models.queries.audit import Actor
from service import settings
from service.actors import acting
from service.databases import opened

STOP_SECONDS = 20.0

Zone = Annotated[
    str | None,
    typer.Option(
        "--time-zone", envvar="VALVE_KITS_TIME_ZONE", help="Of the site, as Europe/Berlin; this computer's without."
    ),
]
NightlyAt = Annotated[
    str, typer.Option(envvar="VALVE_KITS_NIGHTLY_AT", help="When the nightly run begins, at the site; 04:00 to 22:59.")
]


def scheduler_command(
    context: typer.Context,
    time_zone: Zone = None,
    nightly_at: NightlyAt = settings.DEFAULT_NIGHTLY_AT,
    beside: Annotated[int | None, typer.Option(hidden=True, help="End with this process.")] = None,
) -> None:
    """Run what is due: the nightly forecast, the weekly back-test, the daily look for expired lots.

    Any number of schedulers may run on one database; each job is done once. All are to be given the same times.
    """
    # the other commands start faster without it
    from service.schedule import schedule_of
    from service.scheduler import run_scheduler

    settings.processes()
    acting.set(Actor(holder="scheduler", role="service"))
    is_told = listen_for_the_end()
    schedule = schedule_of(zone=time_zone, begins_at=nightly_at)
    with opened(context.obj) as engines:
        run_scheduler(engines, context.obj, schedule, is_over=lambda: is_told() or _is_alone(beside))


def listen_for_the_end() -> Callable[[], bool]:
    """Let SIGTERM end this process, also where the exception it raises is lost.

    Returns
    -------
    callable
        Whether the signal came: an exception raised in a destructor or a callback of the collector is only printed.
    """
    came: list[int] = []

    def end(number: int, _: object) -> None:
        came.append(number)
        sys.exit(0)

    signal.signal(signal.SIGTERM, end)
    return lambda: bool(came)


def _is_alone(beside: int | None) -> bool:
    return beside is not None and os.getppid() != beside


@contextmanager
def scheduler_beside(database_url: str, *, time_zone: str | None, nightly_at: str) -> Iterator[None]:
    """Run a scheduler in a process of its own, for as long as the context or this process lasts.

    Parameters
    ----------
    database_url : str
        Where the plant's record is.
    time_zone, nightly_at : str
        As for the command.

    Yields
    ------
    None
        Once it has been started.
    """
    arguments = ["scheduler", "--nightly-at", nightly_at, "--beside", str(os.getpid())]
    process = subprocess.Popen(
        [sys.executable, "-m", "service.cli", *arguments, *([] if time_zone is None else ["--time-zone", time_zone])],
        env={**os.environ, settings.DATABASE_VARIABLE: database_url},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        try:
            process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
