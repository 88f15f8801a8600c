"""A client that trickles its upload over a real socket keeps nobody waiting, neither readers nor other writers."""

import json
import socket
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import httpx
import pytest

from tests.e2e.test_description import served as serving
from tests.e2e.test_serve_open import CSV, EVENTS, PATIENCE, VALVES

SLACK = 0.1  # seconds, for other work on the machine
AT_ONCE = 5.0  # seconds; a reader that had to wait for the upload would wait for ever


@dataclass(frozen=True)
class Served:
    """Where a server answers, a client of it, and what it logs."""

    port: int
    client: httpx.Client
    log: Path

    def logged(self, path: str) -> list[dict[str, Any]]:
        """Read what it logged of requests to a path, whole lines only."""
        lines = [json.loads(line) for line in self.log.read_bytes().splitlines(keepends=True) if line.endswith(b"\n")]
        return [line for line in lines if line.get("path") == path]


@pytest.fixture
def served(database_url: str, tmp_path: Path) -> Iterator[Served]:
    written = tmp_path / "log"
    with (
        written.open("wb") as log,
        serving(database_url, log=log) as address,
        httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client,
    ):
        yield Served(int(address.rpartition(":")[2]), client, written)


def reading_seconds(served: Served) -> float:
    """Time a reader who asks for a list."""
    begun = time.monotonic()
    assert served.client.get("/v1/valves").status_code == 200
    return time.monotonic() - begun


def begin_upload(served: Served, file: str, body: bytes) -> socket.socket:
    """Send the head of a request that promises a body."""
    upload = socket.create_connection(("127.0.0.1", served.port), timeout=PATIENCE)
    head = f"POST /v1/imports/{file} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nContent-Type: text/csv\r\n"
    upload.sendall(f"{head}Content-Length: {len(body)}\r\nConnection: close\r\n\r\n".encode())
    return upload


def answer_of(upload: socket.socket) -> tuple[int, bytes]:
    received = b""
    while block := upload.recv(65536):
        received += block
    head, _, body = received.partition(b"\r\n\r\n")
    return int(head.split()[1]), body


def test_others_read_and_write_while_one_client_trickles(served: Served) -> None:
    served.client.post("/v1/imports/valves", content=VALVES, headers=CSV).raise_for_status()
    before = median(reading_seconds(served) for _ in range(10))
    during = []
    body = EVENTS.encode() + b"".join(b"FV-101A/B,19%02d-01-01,rebuild\n" % year for year in range(100))
    with begin_upload(served, "events", body) as upload:
        for place in range(0, 300, 30):
            upload.sendall(body[place : place + 30])
            begun = time.monotonic()
            assert served.client.get("/v1/runs").status_code == 200
            assert served.client.get("/health/ready").status_code == 200
            written = served.client.post("/v1/imports/kits", content=f"code\nK-{place}\n", headers=CSV)
            assert written.json()["files"][0]["created"] == 1
            assert time.monotonic() - begun < AT_ONCE
            during.append(reading_seconds(served))
        upload.sendall(body[300:])
        status, answer = answer_of(upload)
    assert median(during) < 3 * before + SLACK
    assert status == 200
    assert json.loads(answer)["files"] == [{"file": "events", "created": 102, "changed": 0, "unchanged": 0}]


def test_a_client_that_breaks_off_leaves_nothing(served: Served) -> None:
    """The server takes it for what it is: no fault of its own."""
    body = b"code\n" + b"K-BROKEN\n"
    with begin_upload(served, "kits", body) as upload:
        upload.sendall(body[:10])
    deadline = time.monotonic() + PATIENCE
    while not (ended := served.logged("/v1/imports/kits")) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert [(line["event"], line["status"]) for line in ended] == [("request", 400)]
    answer = served.client.post("/v1/imports/kits?dry_run=true", content="code\nK-BROKEN\n", headers=CSV)
    assert answer.json()["files"][0]["created"] == 1
