"""How much of the bare framework's rate is left when one reorder point is read, and what a forecast does to its p99.

`python -m tests.benchmarks.bench_load [SECONDS]`: the invented plant on SQLite, one server process, eight connections
kept open, each asking again as soon as it is answered; the bare framework and the service in turns, three each, the
middle one counts. Then p99 at one request every 20 ms of one connection, idle and while a forecast is computed.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass

import httpx
import numpy as np

from tests.benchmarks.soak_clients import AS_OF, bare, fill
from tests.e2e.test_description import served

SECONDS, ROUNDS, CONNECTIONS = 5.0, 3, 8
PAUSE_SECONDS = 0.02
LEAST_SHARE, MOST_TIMES = 1 / 3, 5.0
LENGTH = b"content-length:"


@dataclass(frozen=True, kw_only=True)
class Place:
    """What is asked, over and over."""

    port: int
    path: str

    def request(self) -> bytes:
        """Write the request as it is sent."""
        return f"GET {self.path} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nAccept: */*\r\n\r\n".encode()


def place_of(address: str, path: str) -> Place:
    """Say what is asked at an address."""
    return Place(port=int(address.rpartition(":")[2]), path=path)


async def ask_once(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes) -> None:
    """Ask over an open connection and read the whole answer."""
    writer.write(request)
    head = await reader.readuntil(b"\r\n\r\n")
    if not head.startswith(b"HTTP/1.1 200"):
        raise RuntimeError(head.decode("latin-1"))
    length = next(line for line in head.lower().split(b"\r\n") if line.startswith(LENGTH))
    await reader.readexactly(int(length.removeprefix(LENGTH)))


async def rate(place: Place, seconds: float) -> float:
    """Count answers a second over all connections."""
    until, request = time.monotonic() + seconds, place.request()

    async def one() -> int:
        reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
        answers = 0
        while time.monotonic() < until:
            await ask_once(reader, writer, request)
            answers += 1
        writer.close()
        return answers

    return sum(await asyncio.gather(*(one() for _ in range(CONNECTIONS)))) / seconds


async def milliseconds(place: Place, go_on: Callable[[int], bool]) -> list[float]:
    """Take the time of single requests, one connection, a pause between them."""
    reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
    request = place.request()
    took: list[float] = []
    while go_on(len(took)):
        began = time.perf_counter()
        await ask_once(reader, writer, request)
        took.append(1000 * (time.perf_counter() - began))
        await asyncio.sleep(PAUSE_SECONDS)
    writer.close()
    return took


def shares(hello: Place, reorder_point: Place, seconds: float) -> tuple[float, float]:
    """Measure both rates in turns; give the middle one of each."""
    rates = [(asyncio.run(rate(hello, seconds)), asyncio.run(rate(reorder_point, seconds))) for _ in range(ROUNDS)]
    return statistics.median(one for one, _ in rates), statistics.median(other for _, other in rates)


def p99_during(address: str, place: Place, asked: int) -> tuple[float, float]:
    """Give p99 idle and while a forecast runs [ms]."""
    idle = asyncio.run(milliseconds(place, lambda taken: taken < asked))
    with httpx.Client(base_url=address, timeout=60, trust_env=False) as client:
        run = client.post("/v1/runs", json={"as_of": AS_OF}).headers["location"]
        state = {"status": "queued"}

        def goes_on(taken: int) -> bool:
            if taken % 100 == 0:
                state.update(client.get(run).json())
            return state["status"] in {"queued", "running"}

        busy = asyncio.run(milliseconds(place, goes_on))
    print(f"p99 of {len(idle)} answers idle, of {len(busy)} while a forecast ran: {state['status']}")
    return float(np.quantile(idle, 0.99)), float(np.quantile(busy, 0.99))


def main() -> None:
    """Print both ratios; fail if one is missed."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/plant.sqlite"
        fill(url)
        with served(url) as address, bare() as other:
            rows = httpx.get(f"{address}/v1/reorder-points?limit=1", trust_env=False).json()["value"]
            path = f"/v1/reorder-points/{rows[0]['storeroom']}/{rows[0]['kit']}"
            one = place_of(address, path)
            bare_rate, service_rate = shares(place_of(other, "/bare"), one, seconds)
            idle, busy = p99_during(address, one, int(seconds * 100))
    share, times = service_rate / bare_rate, busy / idle
    print(f"bare framework {bare_rate:.0f} a second, one reorder point {service_rate:.0f}: {share:.2f} of it")
    print(f"p99 idle {idle:.1f} ms, during a forecast {busy:.1f} ms: {times:.1f} times")
    if share < LEAST_SHARE or times > MOST_TIMES:
        sys.exit(f"missed: at least {LEAST_SHARE:.2f} and at most {MOST_TIMES:g} times were asked for")


if __name__ == "__main__":
    main()
