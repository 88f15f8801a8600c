"""Twelve who write and four who read, at once, over sockets: nobody's change is lost, and nobody gets an error."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any

import httpx
import pytest

from tests.e2e.test_description import served

WRITERS, READERS, TURNS = 12, 4, 6
STOCK = "/v1/stock/MAIN/K-1"
PATIENCE = 60.0


def take_one(client: httpx.Client) -> int:
    """Take a kit from the shelf, reading again as often as another was quicker; say how often that was."""
    refused = 0
    while True:
        seen = client.get(STOCK)
        assert seen.status_code == 200
        change = {"on_hand": seen.json()["on_hand"] - 1}
        answer = client.patch(STOCK, json=change, headers={"If-Match": seen.headers["etag"]})
        if answer.status_code == 200:
            return refused
        assert answer.status_code == 412, answer.text
        refused += 1


def write(address: str, writer: int) -> int:
    """Change the one row that all change, and bring in rows of one's own that name codes all name first."""
    with httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client:
        refused = 0
        for turn in range(TURNS):
            refused += take_one(client)
            body = {"tag": f"FV-{writer}-{turn}", "area": f"U{turn}", "design": f"D{turn}"}
            assert client.post("/v1/valves", json=body).status_code == 201
            event = f"tag,done_on,action,turnaround\nFV-{writer}-{turn},2020-01-02,rebuild,TA-{turn}\n"
            done = client.post("/v1/imports/events", content=event, headers={"Content-Type": "text/csv"})
            assert done.status_code == 200, done.text
        return refused


def read(address: str, stop: Event) -> int:
    """Read lists until told to stop; what was once there never goes away."""
    with httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client:
        count = times = 0
        while not stop.is_set():
            valves: list[Any] = client.get("/v1/valves?limit=1000").json()["value"]
            assert client.get("/v1/events?format=csv").status_code == 200
            assert len(valves) >= count
            count, times = len(valves), times + 1
        return times


@pytest.mark.timeout(300)
def test_no_change_is_lost_and_nobody_gets_an_error(
    database_url: str, record_property: Callable[[str, object], None]
) -> None:
    stop = Event()
    with served(database_url) as address, ThreadPoolExecutor(WRITERS + READERS) as pool:
        stock = {"storeroom": "MAIN", "kit": "K-1", "on_hand": WRITERS * TURNS + 5}
        assert httpx.post(f"{address}/v1/stock", json=stock, trust_env=False).status_code == 201
        reading = [pool.submit(read, address, stop) for _ in range(READERS)]
        try:
            refused = sum(pool.map(lambda writer: write(address, writer), range(WRITERS)))
        finally:
            stop.set()
        assert all(reader.result() > 0 for reader in reading)
        assert httpx.get(address + STOCK, trust_env=False).json()["on_hand"] == 5
        valves = httpx.get(f"{address}/v1/valves?limit=1000", trust_env=False).json()["value"]
        events = httpx.get(f"{address}/v1/events?limit=1000", trust_env=False).json()["value"]
        assert len(valves) == len(events) == WRITERS * TURNS
    record_property("changes refused as stale", refused)
