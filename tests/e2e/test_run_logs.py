"""What the processes of requests and runs log: lines of JSON that carry the id of what they are about."""

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import httpx

from models.engine import Engines
from tests.commands import valve_kits
from tests.e2e.test_serve_open import PATIENCE, command, free_port, wait_until_alive
from tests.service.test_runs import import_two_files


def lines(logged: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in logged.splitlines() if line.startswith("{")]


def test_lines_of_a_run_carry_its_id(sqlite_url: str, sqlite_engines: Engines, tmp_path: Path) -> None:
    """The traceback of one that fails stands nowhere else."""
    import_two_files(sqlite_engines, tmp_path)
    assert lines(valve_kits(sqlite_url, "run").stderr) == []
    with sqlite_engines.writer.begin() as connection:
        connection.exec_driver_sql("DROP TABLE orders")
    (told,) = lines(valve_kits(sqlite_url, "run").stderr)
    assert (told["event"], told["level"], told["run_id"]) == ("the forecast failed", "error", 2)
    assert "no such table" in told["exception"]


def test_a_run_is_found_in_the_log_by_the_request_that_asked_for_it(tmp_path: Path) -> None:
    """Server and run write to one stream; the id of the answer leads to the run, that of the run to its lines."""
    database, port, written = tmp_path / "record.sqlite", free_port(), tmp_path / "log"
    with written.open("wb") as log:
        process = subprocess.Popen(command(database, "serve", "--open", "--port", str(port)), stdout=log, stderr=log)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE, trust_env=False) as client:
                wait_until_alive(process.poll, client)
                asked = client.post("/v1/runs")
                until = time.monotonic() + PATIENCE
                while '"run ended"' not in written.read_text():
                    assert time.monotonic() < until
                    time.sleep(0.1)
        finally:
            process.terminate()
            process.wait(PATIENCE)
    found = lines(written.read_text())
    asked_by = asked.headers["x-request-id"]
    by_request = {line["event"]: line for line in found if line.get("request_id") == asked_by}
    assert by_request.keys() == {"request", "run started", "run ended"}
    assert (by_request["request"]["path"], by_request["request"]["status"]) == ("/v1/runs", 202)
    run = [line for line in found if line.get("run_id") == asked.json()["id"]]
    assert [(line["event"], line.get("code")) for line in run] == [("run started", None), ("run ended", 0)]
