"""Answer one question of the server, as `python -m service.answer KIND`: one JSON document in, one out."""

import os
import sys
from collections.abc import Callable

import msgspec
from msgspec import Struct

from models.engine import Engines, open_engines
from service.logs import configure_logs
from service.schemas.turnarounds import TurnaroundQuestion
from service.schemas.what_if import FleetQuestion
from service.schemas.windows import WindowQuestion
from service.use_cases.answer_turnaround import answer_turnaround
from service.use_cases.answer_what_if import answer_what_if
from service.use_cases.answer_window import answer_window
from service.window_processes import TURNAROUND, WHAT_IF, WINDOW


def _window(engines: Engines, question: bytes) -> Struct:
    return answer_window(engines, msgspec.json.decode(question, type=WindowQuestion))


def _turnaround(engines: Engines, question: bytes) -> Struct:
    return answer_turnaround(engines, msgspec.json.decode(question, type=TurnaroundQuestion))


def _what_if(engines: Engines, question: bytes) -> Struct:
    return answer_what_if(engines, msgspec.json.decode(question, type=FleetQuestion))


ANSWERS: dict[str, Callable[[Engines, bytes], Struct]] = {WINDOW: _window, TURNAROUND: _turnaround, WHAT_IF: _what_if}


def main() -> None:
    """Read a question, compute the answer, write it; the database is named by the environment."""
    configure_logs()
    kind, question = sys.argv[1], sys.stdin.buffer.read()
    # the server that asks has the database open, so it is of this version
    engines = open_engines(os.environ["VALVE_KITS_DATABASE"])
    answer = ANSWERS[kind](engines, question)
    engines.reader.dispose()
    sys.stdout.buffer.write(msgspec.json.encode(answer))


if __name__ == "__main__":
    main()
