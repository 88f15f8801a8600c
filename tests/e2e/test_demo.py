"""The demo, as `make run` starts it: an order list of the invented plant, served to this computer."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A demo being served; its log is shown when it doesn't come up."""
    folder, port = tmp_path_factory.mktemp("demo"), _free_port()
    command = [sys.executable, "-m", "service.cli", "--database", "sqlite:///demo.sqlite", "demo", "--port", str(port)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log, env=environment)
        try:
            yield _once_up(f"http://127.0.0.1:{port}", process, folder / "log")
        finally:
            process.send_signal(signal.SIGTERM)
            assert process.wait(timeout=20) in {0, -signal.SIGTERM}


def _once_up(address: str, process: subprocess.Popen[bytes], log: Path) -> str:
    for _ in range(480):
        if process.poll() is not None:
            break
        try:
            if httpx.get(f"{address}/health/ready").status_code == 200:
                return address
        except httpx.TransportError:
            time.sleep(0.5)
    pytest.fail(f"the demo did not come up: {log.read_text()}")


def test_the_order_list_has_lines_whose_why_names_valves(address: str) -> None:
    answer = httpx.get(f"{address}/v1/order-list")
    assert answer.status_code == 200
    body = answer.json()
    lines = body["value"]
    assert len(lines) >= 10
    assert "invented plant" in body["notice"].lower()
    assert body["cautions"], "a list that sends someone to a valve carries the cautions"
    for line in lines[:3]:
        why = httpx.get(f"{address}/v1/reorder-points/{line['storeroom']}/{line['kit']}/why").json()
        assert why["valves"], line
        assert why["method"] == "from valves, over 12 sets of lifetimes"


def test_lists_as_csv_say_that_the_plant_is_invented(address: str) -> None:
    text = httpx.get(f"{address}/v1/order-list?format=csv").text
    header, first = text.split("\r\n")[:2]
    assert header.startswith("storeroom,kit,position,reorder_point,order_quantity,order_by,cost,reason")
    assert header.endswith(",notice")
    assert "invented plant" in first.lower()


def test_a_request_from_elsewhere_is_refused(address: str) -> None:
    assert httpx.get(f"{address}/v1/order-list", headers={"Host": "plant.example"}).status_code == 403
    assert httpx.get(f"{address}/v1/order-list", headers={"X-Forwarded-For": "10.0.0.1"}).status_code == 403


def test_every_number_of_the_next_shutdowns_budget_leads_to_rows_that_sum_to_it(address: str) -> None:
    def rows(path: str) -> list[dict[str, Any]]:
        answer = httpx.get(f"{address}/v1/turnarounds/TA-2026-D/{path}?limit=1000").raise_for_status().json()
        assert "@odata.nextLink" not in answer
        found: list[dict[str, Any]] = answer["value"]
        return found

    budget = httpx.get(f"{address}/v1/turnarounds/TA-2026-D/budget").raise_for_status().json()
    lines = {line["line"]: line for line in budget["lines"]}
    valves, cash, scope = rows("budget/valves"), rows("budget/cash"), rows("scope")
    for name in ("planned", "until_freeze", "emergent", "discovery"):
        assert total(valve[name] for valve in valves) == Decimal(lines[name]["mean"])
    opened = [row["cost"] for row in scope if row["decision"] == "in" and row["cost"] is not None]
    assert total(opened) == Decimal(budget["base_estimate"]) == Decimal(lines["planned"]["p80"]) > 100_000
    assert total(row["amount"] for row in cash) == Decimal(lines["total"]["mean"])
    assert all(Decimal(row["amount"]) == row["qty"] * Decimal(row["unit_cost"]) for row in cash if row["kit"])
    suffices = Decimal(budget["base_estimate"]) + Decimal(budget["contingency"])
    assert suffices == Decimal(lines["total_with_prices_and_hours"]["p80"])
    staged = rows("staging")
    for kit in rows("kits"):
        assert sum(row["qty"] for row in staged if row["kit"] == kit["kit"]) == kit["planned_qty"]
    cell = httpx.get(f"{address}/v1/cell/turnaround-budget?turnaround=TA-2026-D")
    assert Decimal(cell.text) == pytest.approx(suffices, rel=Decimal("1e-5"))


def total(amounts: Iterable[str]) -> Decimal:
    return sum((Decimal(amount) for amount in amounts), Decimal(0))
