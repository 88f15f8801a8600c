"""Two hundred clients for a minute during a run: errors, and how long answers take, beside the bare framework.

`python -m tests.benchmarks.soak_clients [SECONDS] [CLIENTS]`; on SQLite and on PostgreSQL, on the invented plant.
"""

import asyncio
import os
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import httpx
import numpy as np

from models.engine import migrate, open_engines
from service.use_cases.import_files import import_files
from tests.database_copies import execute
from tests.e2e.test_description import served
from tests.e2e.test_serve_open import free_port, wait_until_alive
from tests.postgresql_server import running_postgresql

SECONDS, CLIENTS, PATIENCE = 60.0, 200, 60.0
AS_OF = "2026-06-30"
PATHS = ("/v1/order-list", "/v1/valves?limit=20", "/v1/runs/latest", "/v1/reorder-points?limit=20", "/health/ready")
BARE = """
from litestar import Litestar, get
@get("/bare", sync_to_thread=True)
def bare() -> dict[str, int]: return {"answer": 1}
app = Litestar([bare])
from granian.server.embed import Server
from granian.constants import Interfaces
import asyncio, sys
place = {"address": "127.0.0.1", "port": int(sys.argv[1]), "backlog": 1024, "backpressure": 1024}
asyncio.run(Server(app, **place, interface=Interfaces.ASGI, log_access=False).serve())
"""


async def answered(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes) -> int:
    """Send a request, read its whole answer, and give its status."""
    writer.write(request)
    head = (await reader.readuntil(b"\r\n\r\n")).decode().lower()
    length = re.search(r"content-length: (\d+)", head)
    if length is None:
        raise ConnectionError("an answer of unknown length")
    await reader.readexactly(int(length[1]))
    return int(head.split(maxsplit=2)[1])


async def ask(
    address: str, paths: tuple[str, ...], *, seconds: float, clients: int
) -> tuple[list[float], Counter[int]]:
    """Let clients ask one path after the other, each on a connection of its own; give times and statuses (0: none).

    Written out on bare connections: a client library with 200 of them is slower than the server.
    """
    took: list[float] = []
    statuses: Counter[int] = Counter()
    host, port = address.removeprefix("http://").split(":")
    requests = [f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode() for path in paths]
    until = time.monotonic() + seconds

    async def one(number: int) -> None:
        reader, writer = await asyncio.open_connection(host, int(port))
        turn = number
        while time.monotonic() < until:
            began = time.monotonic()
            try:
                async with asyncio.timeout(PATIENCE):
                    statuses[await answered(reader, writer, requests[turn % len(requests)])] += 1
            except (OSError, TimeoutError, asyncio.IncompleteReadError):
                statuses[0] += 1
                reader, writer = await asyncio.open_connection(host, int(port))
            took.append(time.monotonic() - began)
            turn += 1
        writer.close()

    await asyncio.gather(*(one(number) for number in range(clients)))
    return took, statuses


def tell(what: str, took: list[float], statuses: Counter[int], seconds: float) -> None:
    """Print a line."""
    p50, p99 = np.quantile(took, (0.5, 0.99)) * 1000
    print(
        f"{what}: {len(took) / seconds:.0f} a second, p50 {p50:.0f} ms, p99 {p99:.0f} ms, {dict(statuses)}", flush=True
    )


@contextmanager
def bare() -> Iterator[str]:
    """Serve one route of the framework, with nothing before or behind it."""
    port = free_port()
    process = subprocess.Popen([sys.executable, "-c", BARE, str(port)], stderr=subprocess.DEVNULL)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False) as client:
            wait_until_alive(process.poll, client)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(30)


def fill(url: str) -> None:
    """Bring in the invented plant and forecast it once."""
    migrate(url)
    engines = open_engines(url)
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, "-m", "seed_demo", folder, "--as-of", AS_OF], check=True)
        files = {path.name: path for path in sorted(Path(folder).glob("*.csv"))}
        import_files(engines, files, today=date.fromisoformat(AS_OF))
    engines.reader.dispose()
    environment = {**os.environ, "VALVE_KITS_DATABASE": url, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "service.cli", "run", "--as-of", AS_OF, "--json"]
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)


def load(url: str, *, seconds: float, clients: int) -> Counter[int]:
    """Ask while runs are computed one after the other."""
    fill(url)
    with served(url) as address:
        started = httpx.post(f"{address}/v1/runs", json={"as_of": AS_OF}, trust_env=False)
        took, statuses = asyncio.run(ask(address, PATHS, seconds=seconds, clients=clients))
        run = httpx.get(f"{address}{started.headers['location']}", trust_env=False, timeout=60).json()
        tell(f"{url.partition(':')[0]}, {clients} clients, run {run['status']}", took, statuses, seconds)
    return statuses


def main() -> None:
    """Print what the bare framework and the service do; fail if there was an error."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else CLIENTS
    with bare() as address:
        tell(
            f"bare framework, {clients} clients",
            *asyncio.run(ask(address, ("/bare",), seconds=10, clients=clients)),
            10,
        )
    statuses: Counter[int] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        statuses += load(f"sqlite:///{folder}/plant.sqlite", seconds=seconds, clients=clients)
    with running_postgresql() as server:
        execute(f"{server}postgres", "CREATE DATABASE plant")
        statuses += load(f"{server}plant", seconds=seconds, clients=clients)
    if set(statuses) != {200}:
        sys.exit(f"not every answer was 200: {dict(statuses)}")


if __name__ == "__main__":
    main()
