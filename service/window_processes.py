"""Questions answered by a process of their own, so that the server neither loads nor waits for the numerics."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import BoundedSemaphore

import msgspec

from models.base import Busy
from service.schemas.turnarounds import TurnaroundAnswer, TurnaroundQuestion
from service.schemas.what_if import FleetAnswer, FleetQuestion
from service.schemas.windows import WindowAnswer, WindowQuestion

AT_ONCE = 2
WAIT_SECONDS = 20.0
ANSWER_SECONDS = 120.0
WINDOW, TURNAROUND, WHAT_IF = "window", "turnaround", "what-if"
"""What can be asked."""


class WindowProcesses:
    """Starts a process for each question and reads its answer.

    Parameters
    ----------
    database_url : str
        Where the runs are.
    """

    def __init__(self, database_url: str) -> None:
        # the database's address may hold a password, so it travels in the environment: arguments are public
        self._environment = {**os.environ, "VALVE_KITS_DATABASE": database_url}
        self._free = BoundedSemaphore(AT_ONCE)
        self._running: set[subprocess.Popen[bytes]] = set()

    def ask(self, question: WindowQuestion) -> WindowAnswer:
        """Compute an answer.

        Parameters
        ----------
        question : WindowQuestion
            Of a finished run.

        Returns
        -------
        WindowAnswer
            From what the run read.

        Raises
        ------
        Busy
            If too many are asking, or the answer takes too long.
        RuntimeError
            If the process failed; its log says why.
        """  # noqa: DOC502 (both come from _answered)
        return msgspec.json.decode(self._answered(WINDOW, msgspec.json.encode(question)), type=WindowAnswer)

    def ask_turnaround(self, question: TurnaroundQuestion) -> TurnaroundAnswer:
        """Plan a turnaround under limits.

        Parameters
        ----------
        question : TurnaroundQuestion
            Of a turnaround that a finished run planned.

        Returns
        -------
        TurnaroundAnswer
            From what the run read.

        Raises
        ------
        Busy
            If too many are asking, or the answer takes too long.
        RuntimeError
            If the process failed; its log says why.
        """  # noqa: DOC502 (both come from _answered)
        return msgspec.json.decode(self._answered(TURNAROUND, msgspec.json.encode(question)), type=TurnaroundAnswer)

    def ask_what_if(self, question: FleetQuestion) -> FleetAnswer:
        """Forecast a record under other policies, valves or turnarounds.

        Parameters
        ----------
        question : FleetQuestion
            Of a finished run.

        Returns
        -------
        FleetAnswer
            From what the run read.

        Raises
        ------
        Busy
            If too many are asking, or the answer takes too long.
        RuntimeError
            If the process failed; its log says why.
        """  # noqa: DOC502 (both come from _answered)
        return msgspec.json.decode(self._answered(WHAT_IF, msgspec.json.encode(question)), type=FleetAnswer)

    def _answered(self, kind: str, question: bytes) -> bytes:
        """Let a process of its own answer."""  # noqa: DOC501 (said by the callers)
        with self._slot(), self._started(kind) as process:
            try:
                answer, _ = process.communicate(question, timeout=ANSWER_SECONDS)
            except subprocess.TimeoutExpired as late:
                raise Busy(f"the answer took longer than {ANSWER_SECONDS:g} seconds") from late
        if process.returncode != 0:
            raise RuntimeError(f"the process that was to answer ended with code {process.returncode}")
        return answer

    def close(self) -> None:
        """End every process; what waits for one gets no answer."""
        for process in list(self._running):
            process.terminate()

    @contextmanager
    def _slot(self) -> Iterator[None]:
        if not self._free.acquire(timeout=WAIT_SECONDS):
            raise Busy(f"{AT_ONCE} answers are being computed already")
        try:
            yield
        finally:
            self._free.release()

    @contextmanager
    def _started(self, kind: str) -> Iterator[subprocess.Popen[bytes]]:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.answer", kind],
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self._running.add(process)
        try:
            yield process
        finally:
            self._running.discard(process)
            process.kill()
            process.communicate()
