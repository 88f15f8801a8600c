"""The forecasts this server started, each in a process of its own."""

import asyncio
import os
import sys
from asyncio.subprocess import DEVNULL, Process
from collections.abc import Callable
from contextlib import suppress

import structlog

from models.engine import Engines
from service.use_cases.request_run import close_run

STOP_SECONDS = 5.0

log = structlog.get_logger()


class ForecastProcesses:
    """Starts forecasts, watches them end, and ends them with the server.

    Parameters
    ----------
    engines : Engines
        The database, to close a run whose process failed to.
    database_url : str
        The same database, for the processes.
    """

    def __init__(self, engines: Engines, database_url: str) -> None:
        self._engines = engines
        self._environment = {**os.environ, "VALVE_KITS_DATABASE": database_url}
        self._processes: dict[int, Process] = {}
        self._watchers: set[asyncio.Task[None]] = set()

    async def start(self, run_id: int) -> None:
        """Compute a queued run.

        Parameters
        ----------
        run_id : int
            Which one.
        """
        # the database's address may hold a password, so it travels in the environment: arguments are public
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "service.cli", "run", "--run-id", str(run_id)),
            env=self._environment,
            stdin=DEVNULL,
            stdout=DEVNULL,
        )
        self._processes[run_id] = process
        # beside the id of the request that asked for it; in the run's own process lines carry the run's
        log.info("run started", run_id=run_id, pid=process.pid)
        watcher = asyncio.create_task(self._watch(run_id, process))
        self._watchers.add(watcher)
        watcher.add_done_callback(self._watchers.discard)

    def stop(self, run_id: int) -> None:
        """End the process of a run, if this server started it and it still runs.

        Parameters
        ----------
        run_id : int
            Which one.
        """
        process = self._processes.get(run_id)
        if process is not None:
            _signal(process.terminate)

    async def close(self) -> None:
        """End every process and wait until its run is closed."""
        for process in self._processes.values():
            _signal(process.terminate)
        watchers = list(self._watchers)
        if watchers:
            await asyncio.wait(watchers, timeout=STOP_SECONDS)
        for process in self._processes.values():
            _signal(process.kill)
        await asyncio.gather(*watchers)

    async def _watch(self, run_id: int, process: Process) -> None:
        code = await process.wait()
        del self._processes[run_id]
        log.info("run ended", run_id=run_id, code=code)
        error = f"The process that computed this run ended with code {code} before the run did."
        await asyncio.to_thread(close_run, self._engines, run_id, error=error)


def _signal(send: Callable[[], None]) -> None:
    with suppress(ProcessLookupError):
        send()
