"""`valve-kits serve` over a real socket: what it answers, what it refuses, how it ends."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import httpx
import pytest

PATIENCE = 30.0
STARTING = 120.0  # seconds; 2 on a quiet machine, 7 on one with four times its work
PORTS = count(20_000 + os.getpid() % 10_000)  # below those that a system gives to clients, such as those of other tests
VALVES = "tag,design,service_class,area,installed_on\nFV-101A/B,GLOBE-2,wet CO2,U100,2015-01-01\n"
EVENTS = "tag,done_on,action\nFV-101A/B,2018-05-04,rebuild\nFV-101A/B,2021-05-04,rebuild\n"
CSV = {"Content-Type": "text/csv"}


@dataclass(frozen=True)
class Served:
    """A server process, where it answers, and a client of it."""

    process: subprocess.Popen[bytes]
    port: int
    client: httpx.Client


def free_port() -> int:
    for port in PORTS:
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    pytest.fail("no port is free")


def command(database: Path, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "service.cli", "--database", f"sqlite:///{database}", *arguments]


@contextmanager
def serving(database: Path, *options: str) -> Iterator[Served]:
    port = free_port()
    process = subprocess.Popen(command(database, "serve", "--port", str(port), *options))
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(process.poll, client)
            yield Served(process, port, client)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def wait_until_alive(exit_code: Callable[[], int | None], client: httpx.Client) -> None:
    deadline = time.monotonic() + STARTING
    while time.monotonic() < deadline:
        assert exit_code() is None, "the server ended at once"
        try:
            client.get("/health/live")
        except httpx.TransportError:
            time.sleep(0.05)
        else:
            return
    pytest.fail(f"the server did not answer within {STARTING} seconds")


def stop(served: Served) -> int:
    served.process.send_signal(signal.SIGTERM)
    return served.process.wait(timeout=PATIENCE)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server that needs no key."""
    with serving(tmp_path_factory.mktemp("open") / "plant.sqlite", "--open") as served:
        yield served


def ask_raw(port: int, request: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as connection:
        connection.sendall(request)
        return connection.makefile("rb").readline()


def test_two_files_in_an_order_list_out(served: Served) -> None:
    assert served.client.post("/v1/imports/valves", content=VALVES, headers=CSV).status_code == 200
    assert served.client.post("/v1/imports/events", content=EVENTS, headers=CSV).status_code == 200
    answer = served.client.post("/v1/runs")
    assert answer.status_code == 202
    deadline = time.monotonic() + PATIENCE
    while served.client.get(answer.headers["location"]).json()["status"] in {"queued", "running"}:
        assert time.monotonic() < deadline
        time.sleep(0.1)
    run = served.client.get(answer.headers["location"]).json()
    assert (run["status"], run["error"]) == ("finished", None)
    answer = served.client.get("/v1/order-list", headers={"Accept": "text/csv"})
    assert answer.status_code == 200
    assert answer.text.startswith("storeroom,kit,position,reorder_point,order_quantity,order_by,cost,reason,")


def test_a_slash_in_a_code_comes_through_the_server(served: Served) -> None:
    answer = served.client.get("/v1/valves/XV-9A%2FB/kit-needs")
    assert answer.status_code in {404, 409}
    assert answer.json()["instance"] == "/v1/valves/XV-9A%2FB/kit-needs"


def test_head_has_the_headers_of_get_and_no_body(served: Served) -> None:
    head, get = served.client.head("/v1/runs"), served.client.get("/v1/runs")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-length"] == get.headers["content-length"]


def test_three_hundred_clients_that_keep_their_connections_open_are_all_answered(served: Served) -> None:
    """The last one doesn't wait until one of the others goes, or is given up after half a minute."""
    request = f"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode()
    with ExitStack() as stack:
        for _ in range(300):
            connection = stack.enter_context(socket.create_connection(("127.0.0.1", served.port), timeout=20.0))
            connection.sendall(request)
            assert connection.recv(64).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "kits.example.com"},
        {"Host": "127.0.0.1:1"},
        {"Forwarded": "for=192.0.2.7"},
        {"X-Forwarded-For": "192.0.2.7"},
        {"X-Real-IP": "192.0.2.7"},
        {"Via": "1.1 proxy"},
    ],
)
def test_foreign_and_forwarded_requests_are_refused(served: Served, headers: dict[str, str]) -> None:
    answer = served.client.get("/v1/runs", headers=headers)
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "request_lines",
    [
        b"GET /v1/runs HTTP/1.0\r\n\r\n",
        b"GET /v1/runs HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nHost: kits.example.com\r\nConnection: close\r\n\r\n",
        b"GET http://kits.example.com/v1/runs HTTP/1.1\r\nHost: kits.example.com\r\nConnection: close\r\n\r\n",
    ],
    ids=["no host", "two hosts", "foreign address"],
)
def test_a_request_that_names_no_host_or_two_is_refused(served: Served, request_lines: bytes) -> None:
    request = request_lines.replace(b"%d", str(served.port).encode())
    status = ask_raw(served.port, request).split()[1]
    assert status in {b"400", b"403"}


def test_without_open_only_health_and_problem_pages_answer(tmp_path: Path) -> None:
    with serving(tmp_path / "plant.sqlite") as served:
        assert served.client.get("/health/ready").status_code == 200
        assert served.client.get("/problems/key-required").status_code == 200
        answer = served.client.get("/v1/order-list")
        assert (answer.status_code, answer.json()["type"]) == (401, "/problems/key-required")
        assert stop(served) == 0


def test_open_access_at_an_address_others_can_reach_is_refused(tmp_path: Path) -> None:
    answer = subprocess.run(
        command(tmp_path / "plant.sqlite", "serve", "--open", "--host", "0.0.0.0"),
        capture_output=True,
        text=True,
        timeout=PATIENCE,
    )
    assert answer.returncode == 2
    assert "--open serves this computer alone: --host is 0.0.0.0" in answer.stderr


def test_a_port_in_use_is_told_in_a_sentence(served: Served, tmp_path: Path) -> None:
    answer = subprocess.run(
        command(tmp_path / "plant.sqlite", "serve", "--open", "--port", str(served.port)),
        capture_output=True,
        text=True,
        timeout=PATIENCE,
    )
    assert answer.returncode == 2
    assert answer.stderr == f"valve-kits: can't listen at 127.0.0.1, port {served.port}: Address already in use\n"


def test_the_server_ends_its_forecast_with_itself(tmp_path: Path) -> None:
    with serving(tmp_path / "plant.sqlite", "--open") as served:
        run = served.client.post("/v1/runs").json()
        began = time.monotonic()
        assert stop(served) == 0
        assert time.monotonic() - began < 15
    with serving(tmp_path / "plant.sqlite", "--open") as served:
        ended = served.client.get(f"/v1/runs/{run['id']}").json()
    assert ended["status"] == "failed"
    assert ended["error"].startswith("The process that computed this run ended")


def test_access_is_not_logged(tmp_path: Path) -> None:
    """An address may hold a key."""
    log = tmp_path / "log"
    port = free_port()
    with log.open("wb") as stream:
        process = subprocess.Popen(
            command(tmp_path / "plant.sqlite", "serve", "--open", "--port", str(port)), stdout=stream, stderr=stream
        )
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(process.poll, client)
            client.get("/v1/order-list?key=a-secret")
            client.get("/v1/nothing?key=a-secret")
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=PATIENCE) == 0
    assert "a-secret" not in log.read_text()
    assert os.path.getsize(log) < 1000
