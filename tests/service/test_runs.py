"""Runs over HTTP: asked for, computed in a process of their own, called off."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.base import Conflict
from models.engine import Engines
from models.queries import run_log, runs
from service import cli, heartbeats
from service.db import read_session, write_session
from service.settings import Settings, host_name, now, today
from service.use_cases import compute_run, run_forecast
from service.use_cases.import_files import import_files
from service.use_cases.request_run import cancel_run, read_run, request_run
from tests.commands import forked

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]

PATIENCE = 60.0
VALVES = "tag,design,service_class,area,installed_on\n" + "".join(
    f"FV-{number},GLOBE-2,wet CO2,U100,2015-01-01\n" for number in range(1, 9)
)
EVENTS = "tag,done_on,action\n" + "".join(
    f"FV-{number},{2016 + year}-0{number}-1{year},rebuild\n" for number in range(1, 9) for year in (0, 3, 7)
)


def import_two_files(engines: Engines, folder: Path) -> None:
    files = {"valves.csv": folder / "valves.csv", "events.csv": folder / "events.csv"}
    files["valves.csv"].write_text(VALVES)
    files["events.csv"].write_text(EVENTS)
    import_files(engines, files, today=today())


def wait_until_closed(client: Client, run_id: int) -> dict[str, Any]:
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        run: dict[str, Any] = client.get(f"/v1/runs/{run_id}").json()
        if run["status"] not in {"queued", "running"}:
            return run
        time.sleep(0.2)
    pytest.fail(f"run {run_id} was not closed within {PATIENCE} seconds")


def queue_run(engines: Engines, *, pid: int, host: str | None = None) -> int:
    with write_session(engines) as session:
        run = runs.create_run(
            session,
            as_of=today(),
            requested_at=now(),
            code_version="0.1.0",
            pid=pid,
            host=host or host_name(),
        )
        return run.id


def dead_process() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def test_a_run_is_computed_in_its_own_process_and_stored(client: Client, engines: Engines, tmp_path: Path) -> None:
    import_two_files(engines, tmp_path)
    answer = client.post("/v1/runs", json={"as_of": "2025-06-30"})
    assert answer.status_code == 202
    run_id = answer.json()["id"]
    assert answer.headers["location"] == f"/v1/runs/{run_id}"
    run = wait_until_closed(client, run_id)
    assert (run["status"], run["error"], run["as_of"]) == ("finished", None, "2025-06-30")
    assert len(run["input_digest"]) == 64
    assert client.get("/v1/runs/latest").json()["id"] == run_id
    with read_session(engines) as session:
        assert run_log.get_run(session, run_id).pid != os.getpid()


def test_a_run_without_a_body_is_as_of_today(sqlite_client: Client) -> None:
    answer = sqlite_client.post("/v1/runs")
    assert (answer.status_code, answer.json()["as_of"]) == (202, today().isoformat())


def test_a_run_on_an_empty_record_finishes_with_nothing_to_order(sqlite_client: Client) -> None:
    run = wait_until_closed(sqlite_client, sqlite_client.post("/v1/runs").json()["id"])
    assert (run["status"], run["counts"]["valves"]) == ("finished", 0)
    assert sqlite_client.get("/v1/order-list").json()["value"] == []


def test_a_run_that_cannot_be_computed_ends_failed_with_an_error(
    sqlite_client: Client, sqlite_engines: Engines
) -> None:
    with sqlite_engines.writer.begin() as connection:
        connection.exec_driver_sql("DROP TABLE orders")
    run = wait_until_closed(sqlite_client, sqlite_client.post("/v1/runs").json()["id"])
    assert run["status"] == "failed"
    assert run["error"] == "The forecast stopped on a fault of its own; the log of the process says which."


def test_one_run_at_a_time(client: Client, engines: Engines) -> None:
    queue_run(engines, pid=os.getpid())
    answer = client.post("/v1/runs")
    assert answer.status_code == 409
    assert answer.json()["type"] == "/problems/conflict"
    assert answer.json()["detail"] == "another run is queued or running; wait for it, or cancel it"


def test_a_run_whose_process_died_is_failed_and_makes_room(client: Client, engines: Engines) -> None:
    abandoned = queue_run(engines, pid=dead_process())
    assert client.post("/v1/runs").status_code == 202
    run = client.get(f"/v1/runs/{abandoned}").json()
    assert run["status"] == "failed"
    assert run["error"] == "The process that computed this run ended before the run did."


def test_a_run_of_another_computer_is_not_taken_for_dead(client: Client, engines: Engines) -> None:
    run_id = queue_run(engines, pid=dead_process(), host="another-computer")
    assert client.post("/v1/runs").status_code == 409
    assert client.post(f"/v1/runs/{run_id}/cancel").json()["status"] == "cancelled"
    assert client.post("/v1/runs").status_code == 202


def test_a_server_that_starts_closes_what_its_predecessor_left(
    sqlite_url: str, sqlite_engines: Engines, connect: Callable[[Settings], Any]
) -> None:
    """In a container the predecessor may have had the process id of its successor."""
    run_id = queue_run(sqlite_engines, pid=os.getpid())
    with connect(Settings(database_url=sqlite_url, access="open")) as client:
        assert client.get(f"/v1/runs/{run_id}").json()["status"] == "failed"


def test_a_cancelled_run_stores_nothing_and_makes_room(client: Client, engines: Engines) -> None:
    run_id = queue_run(engines, pid=os.getpid())
    answer = client.post(f"/v1/runs/{run_id}/cancel")
    assert (answer.status_code, answer.json()["status"]) == (200, "cancelled")
    answer = client.post(f"/v1/runs/{run_id}/cancel")
    assert (answer.status_code, answer.json()["detail"]) == (409, f"run {run_id} is cancelled already")
    assert client.post("/v1/runs").status_code == 202


def test_a_running_forecast_can_be_cancelled(sqlite_client: Client, sqlite_engines: Engines, tmp_path: Path) -> None:
    import_two_files(sqlite_engines, tmp_path)
    run_id = sqlite_client.post("/v1/runs").json()["id"]
    assert sqlite_client.post(f"/v1/runs/{run_id}/cancel").json()["status"] == "cancelled"
    run = wait_until_closed(sqlite_client, run_id)
    assert (run["status"], run["error"]) == ("cancelled", None)


def test_runs_are_listed_the_newest_first_in_parts(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    first, second, third = (finish_run(engines) for _ in range(3))
    body = client.get("/v1/runs?limit=2").json()
    assert [run["id"] for run in body["value"]] == [third, second]
    assert body["@odata.nextLink"] == f"/v1/runs?limit=2&cursor={second}"
    following = client.get(body["@odata.nextLink"]).json()
    assert [run["id"] for run in following["value"]] == [first]
    assert "@odata.nextLink" not in following


def test_a_run_that_has_not_finished_has_no_results(client: Client, engines: Engines) -> None:
    run_id = queue_run(engines, pid=os.getpid())
    answer = client.get(f"/v1/order-list?run={run_id}")
    assert answer.status_code == 409
    assert answer.json()["detail"] == f"run {run_id} is queued: it has no results"


@pytest.mark.parametrize(
    ("body", "errors"),
    [
        (
            {"as_of": "yesterday"},
            [{"pointer": "/as_of", "value": "yesterday", "expected": "a date like 2017-04-30, or null"}],
        ),
        (
            {"until": "2025-06-30"},
            [{"pointer": "/until", "value": "2025-06-30", "expected": "one of the fields as_of"}],
        ),
    ],
)
def test_a_body_that_breaks_the_contract_is_refused(
    sqlite_client: Client, body: dict[str, str], errors: list[dict[str, str]]
) -> None:
    answer = sqlite_client.post("/v1/runs", json=body)
    assert answer.status_code == 400
    assert answer.json()["errors"] == errors


def test_a_cut_off_in_the_future_is_refused(sqlite_client: Client) -> None:
    tomorrow = today() + timedelta(days=1)
    answer = sqlite_client.post("/v1/runs", json={"as_of": tomorrow.isoformat()})
    assert answer.status_code == 400
    assert answer.json()["detail"] == f"as_of is {tomorrow}; expected today, {today()}, or a day before"


@pytest.mark.parametrize("path", ["/v1/runs/7", "/v1/runs/latest/7", "/v1/runs/seven"])
def test_what_is_not_there_is_not_found(sqlite_client: Client, path: str) -> None:
    answer = sqlite_client.get(path)
    assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-found")


@pytest.mark.parametrize("number", ["0", "99999999999999999999"])
def test_an_impossible_number_is_refused(sqlite_client: Client, number: str) -> None:
    assert sqlite_client.get(f"/v1/runs/{number}").status_code == 400
    assert sqlite_client.get(f"/v1/demand?run={number}").status_code == 400


def test_a_run_is_queued_once_whoever_asks(engines: Engines) -> None:
    run_id = request_run(engines, as_of=None)
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
    assert (run.status, run.pid, run.open_slot) == ("queued", os.getpid(), 1)


def compute_slowly(url: str, run_id: int) -> None:
    """Be the command, looking often whether the run is still wanted, with a forecast that doesn't end."""
    compute_run.beating = partial(heartbeats.beating, seconds=0.1)  # type: ignore[attr-defined]
    run_forecast._compute = lambda *_, **__: time.sleep(10 * PATIENCE)  # noqa: SLF001
    sys.argv = ["valve-kits", "--database", url, "run", "--run-id", str(run_id)]
    cli.main()


def test_a_run_that_another_server_cancels_ends_its_process(database_url: str, engines: Engines) -> None:
    run_id = request_run(engines, as_of=today())
    process = forked(compute_slowly, database_url, run_id)
    process.start()
    try:
        until = time.monotonic() + PATIENCE
        while read_run(engines, run_id).status != "running":
            assert time.monotonic() < until
        assert cancel_run(engines, run_id).status == "cancelled"
        process.join(PATIENCE)
        assert process.exitcode == -signal.SIGTERM
    finally:
        process.kill()
    assert read_run(engines, run_id).status == "cancelled"


def test_a_run_that_has_just_finished_is_not_said_to_be_lost(sqlite_engines: Engines, finish_run: FinishRun) -> None:
    """The beat that comes after its end, before the process has noticed; of a cancelled one it is said."""
    finished, cancelled = finish_run(sqlite_engines), queue_run(sqlite_engines, pid=os.getpid())
    cancel_run(sqlite_engines, cancelled)
    compute_run._renew(sqlite_engines, finished)  # noqa: SLF001
    with pytest.raises(Conflict, match="is cancelled"):
        compute_run._renew(sqlite_engines, cancelled)  # noqa: SLF001
