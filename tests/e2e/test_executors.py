"""A run computed elsewhere: by processes of this computer, and by a real cluster one of whose workers is killed."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from distributed import Client

from forecasting.errors import InvalidInput
from service.databases import opened
from service.executors import chosen_executor
from service.settings import CLUSTER_VARIABLE, PROCESSES_VARIABLE
from service.use_cases.request_run import process_is_alive
from tests.e2e.test_serve_open import free_port
from tests.service.test_run_forecast import FILES, as_bytes, bring_in, computed

SECONDS = 60.0


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Path:
    """A record that no run has read."""
    path = tmp_path_factory.mktemp("record") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    with opened(f"sqlite:///{path}") as engines:
        bring_in(engines, FILES)
    return path


@pytest.fixture(scope="module")
def here(record: Path) -> bytes:
    """What a run finds that is computed in its own process."""
    return found(record, "here")


def found(record: Path, name: str) -> bytes:
    """What the first run on a copy of the record finds."""
    copy = record.with_name(name)
    shutil.copyfile(record, copy)
    with opened(f"sqlite:///{copy}") as engines:
        return as_bytes(engines, computed(engines))


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Start a scheduler and two workers as one does by hand; nobody starts a killed worker again."""
    told = folder / "scheduler.json"
    with (folder / "log").open("wb") as log:

        def start(program: str, *options: str) -> subprocess.Popen[bytes]:
            command = [sys.executable, "-m", f"distributed.cli.dask_{program}", "--scheduler-file", str(told)]
            environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
            return subprocess.Popen([*command, "--no-dashboard", *options], stdout=log, stderr=log, env=environment)

        place = ("--host", "127.0.0.1")
        scheduler = start("scheduler", *place, "--port", "0")
        workers = [start("worker", *place, "--no-nanny", "--nthreads", "1", "--name", name) for name in ("one", "two")]
        try:
            with Client(scheduler_file=str(told), timeout=SECONDS, set_as_default=False) as client:
                client.wait_for_workers(2, timeout=SECONDS)
                address = client.scheduler.address
            yield address, workers
        finally:
            for process in (*workers, scheduler):
                process.kill()
                process.wait()


def kill_once_it_has_work(address: str, name: str, worker: subprocess.Popen[bytes]) -> None:
    """Kill a stopped worker when it was given a part of the run."""
    with Client(address, set_as_default=False) as client:
        place = next(place for place, one in client.scheduler_info()["workers"].items() if one["id"] == name)
        while not client.processing()[place]:
            time.sleep(0.05)
    worker.kill()


def test_a_cluster_gives_the_same_bytes_though_one_of_two_workers_is_killed_over_its_part(
    record: Path, here: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that is stopped holds what it was given, and is then killed: the other one computes that, too."""
    with cluster(tmp_path) as (address, workers):
        monkeypatch.setenv(CLUSTER_VARIABLE, address)
        workers[0].send_signal(signal.SIGSTOP)
        killing = threading.Thread(target=kill_once_it_has_work, args=(address, "one", workers[0]), daemon=True)
        killing.start()
        there = found(record, "there")
        killing.join(SECONDS)
        assert (workers[0].wait(SECONDS), workers[1].poll()) == (-signal.SIGKILL, None)
    assert there == here


def test_processes_give_the_same_bytes(record: Path, here: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PROCESSES_VARIABLE, "2")
    assert found(record, "processes") == here


def test_a_cluster_that_does_not_answer_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.executors.CONNECT_SECONDS", 0.3)
    monkeypatch.setenv(CLUSTER_VARIABLE, f"tcp://127.0.0.1:{free_port()}")
    with pytest.raises(InvalidInput, match="VALVE_KITS_CLUSTER: no cluster answers at tcp://127"), chosen_executor():
        pass


@pytest.mark.parametrize("said", ["0", "-1", "two", ""])
def test_processes_are_a_number_from_one_on(said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PROCESSES_VARIABLE, said)
    with pytest.raises(InvalidInput, match="expected a number from 1 on"), chosen_executor():
        pass


def test_processes_end_with_the_run_that_started_them(tmp_path: Path) -> None:
    """The run is killed while a piece is computed: nobody waits for work that never comes."""
    code = (
        "import os, time; from service.executors import chosen_executor\n"
        "if __name__ == '__main__':\n"
        "  with chosen_executor() as executor:\n"
        "    print(executor.submit(os.getpid).result(), flush=True); time.sleep(60)\n"
    )
    path = tmp_path / "run.py"
    path.write_text(code)
    environment = {**os.environ, PROCESSES_VARIABLE: "2", "PYTHONPATH": os.getcwd()}
    with subprocess.Popen([sys.executable, str(path)], stdout=subprocess.PIPE, env=environment) as run:
        assert run.stdout is not None
        worker = int(run.stdout.readline())
        run.kill()
    until = time.monotonic() + SECONDS
    while process_is_alive(worker) and time.monotonic() < until:
        time.sleep(0.05)
    assert not process_is_alive(worker)
