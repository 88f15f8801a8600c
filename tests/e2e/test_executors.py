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
from service.settings import CLUSTER_VARIABLE, DATABASE_VARIABLE, PROCESSES_VARIABLE
from service.use_cases.request_run import process_is_alive
from tests.commands import valve_kits
from tests.e2e.test_serve_open import free_port
from tests.service.test_run_forecast import AS_OF, FILES, as_bytes, bring_in, closed, computed

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


@pytest.mark.parametrize("command", ["run", "serve", "scheduler", "demo"])
@pytest.mark.parametrize("said", ["0", "-1", "two"])
def test_what_starts_runs_says_at_once_what_is_wrong_with_processes(
    command: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not when the first run fails, hours later; and nothing is made before."""
    path = tmp_path / "record.sqlite"
    monkeypatch.setenv(PROCESSES_VARIABLE, said)
    done = valve_kits(f"sqlite:///{path}", command)
    told = f"valve-kits: {PROCESSES_VARIABLE} is '{said}', expected a number from 1 on\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", told)
    assert not path.exists()


IMPORTED = "import os, service.use_cases.run_forecast; print(len(os.listdir('/proc/self/task')))"
COMPUTED = f"""
import contextlib, os, sys
from service.cli import main
sys.argv = ["valve-kits", "run", "--as-of", "{AS_OF}"]
with contextlib.suppress(SystemExit):
    main()
print()
print(len(os.listdir("/proc/self/task")))
"""


def threads_left(code: str, **wanted: str) -> int:
    """Count the threads of a process that has done something; what it prints last."""
    bare = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    environment = {**bare, "PYTHONPATH": os.getcwd(), **wanted}
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, text=True, check=True, timeout=SECONDS)
    return int(done.stdout.split()[-1])


def test_linear_algebra_has_one_thread_in_the_process_of_a_run(record: Path, tmp_path: Path) -> None:
    """Its threads are made when numpy is loaded and stay; whoever asks for more gets them."""
    copy = tmp_path / "record.sqlite"
    shutil.copyfile(record, copy)
    assert threads_left(COMPUTED, **{DATABASE_VARIABLE: f"sqlite:///{copy}"}) == 1
    with opened(f"sqlite:///{copy}") as engines:
        assert closed(engines, 1).status == "finished"
    if (os.cpu_count() or 1) > 1:
        assert threads_left(IMPORTED, OPENBLAS_NUM_THREADS="2") > 1


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
