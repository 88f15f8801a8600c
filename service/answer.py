"""Answer one question of the server, as `python -m service.answer`: one JSON document in, one out."""

import os
import sys

import msgspec

from models.engine import open_engines
from service.logs import configure_logs
from service.schemas.windows import WindowQuestion
from service.use_cases.answer_window import answer_window


def main() -> None:
    """Read a question, compute the answer, write it; the database is named by the environment."""
    configure_logs()
    question = msgspec.json.decode(sys.stdin.buffer.read(), type=WindowQuestion)
    # the server that asks has the database open, so it is of this version
    engines = open_engines(os.environ["VALVE_KITS_DATABASE"])
    answer = answer_window(engines, question)
    engines.reader.dispose()
    sys.stdout.buffer.write(msgspec.json.encode(answer))


if __name__ == "__main__":
    main()
