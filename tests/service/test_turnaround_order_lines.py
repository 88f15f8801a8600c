"""What turnarounds want ordered, as lines of the order list: which, where they stand, and what they leave open."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from msgspec import structs

from models.engine import Engines, open_engines
from service.db import read_session
from service.schemas.turnarounds import TurnaroundPlan
from service.settings import Settings
from service.stored_plans import packed_plan
from service.use_cases import read_turnaround
from tests.service.conftest import RESULTS

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
KITS: tuple[tuple[str, str | None, list[str], int], ...] = (
    ("SAME DAY", "2026-02-01", ["MAIN"], 2),
    ("LAST DAY", "2026-03-31", ["B", "MAIN"], 3),
    ("A DAY LATER", "2026-04-01", ["MAIN"], 1),
    ("NOWHERE", "2026-03-31", [], 1),
    ("ENOUGH", None, ["MAIN"], 0),
)
"""Kit, order-by date, storerooms, how many to order; the data cut-off is 2026-03-01, 30 days before 2026-03-31."""


@pytest.fixture
def planner(planned_file: Path, connect: Callable[[Settings], AbstractContextManager[Client]]) -> Iterator[Client]:
    """Connect to a server on the small plant, which these tests only read."""
    with connect(Settings(database_url=f"sqlite:///{planned_file}", access="open")) as client:
        yield client


@pytest.fixture
def planned_run(planned_file: Path, engines: Engines, finish_run: FinishRun, monkeypatch: pytest.MonkeyPatch) -> int:
    """Store a run with known reorder points, and a plan whose kits are those of KITS."""
    content = packed_plan(plan_with_kits(planned_file))
    monkeypatch.setitem(RESULTS, "turnarounds", [{"code": "TA-26", "content": content}])
    return finish_run(engines)


def plan_with_kits(planned_file: Path) -> TurnaroundPlan:
    """Take the small plant's plan, with other kits."""
    engines = open_engines(f"sqlite:///{planned_file}")
    with read_session(engines) as session:
        plan = read_turnaround.stored(session, "TA-26", None).plan
    engines.reader.dispose()
    made = [
        structs.replace(
            plan.kits[0],
            kit=kit,
            to_order=qty,
            order_by=None if day is None else date.fromisoformat(day),
            details={"storerooms": rooms},
        )
        for kit, day, rooms, qty in KITS
    ]
    return structs.replace(plan, kits=made)


def lines_of(client: Client, path: str = "/v1/order-list?limit=1000") -> list[dict[str, Any]]:
    """Read a list part by part."""
    found: list[dict[str, Any]] = []
    while path:
        answer = client.get(path)
        assert answer.status_code == 200, answer.text
        found += answer.json()["value"]
        path = answer.json().get("@odata.nextLink", "")
    return found


def test_a_kit_that_is_late_for_a_turnaround_is_a_line_of_its_own(planner: Client) -> None:
    """KT is due 37 days before the cut-off; whatever else is planned is to be ordered months later."""
    (line,) = [line for line in lines_of(planner) if line["turnaround"]]
    kit = planner.get("/v1/turnarounds/TA-26/kits").json()["value"][0]
    assert (line["turnaround"], line["kit"], line["storeroom"]) == ("TA-26", "KT", "MAIN")
    assert (line["order_by"], line["action"], line["status"]) == ("2026-01-23", "order", "computed")
    assert (line["order_quantity"], line["unit_cost"], line["cost"]) == (kit["to_order"], "990.25", kit["cost"])
    assert Decimal(line["cost"]) == kit["to_order"] * Decimal("990.25") > 0
    assert line["reason"] == f"for turnaround TA-26: {kit['reason']}"
    open_ones = ("position", "reorder_point", "present_reorder_point", "usable_on_hand", "stock_out_on", "elsewhere")
    assert [line[name] for name in open_ones] == [None] * len(open_ones)
    later = [row for code in ("TA-26", "TA-28") for row in lines_of(planner, f"/v1/turnarounds/{code}/kits")]
    assert [row["kit"] for row in later if row["to_order"] and row["order_by"] <= "2026-03-31"] == ["KT"]
    assert any(row["to_order"] and row["order_by"] > "2026-03-31" for row in later)


def test_the_file_has_the_column_last_and_running_lines_leave_it_empty(planner: Client) -> None:
    header, *rows = planner.get("/v1/order-list?format=csv").text.splitlines()
    assert header.endswith(",stock_out_on,elsewhere,turnaround")
    assert sorted(row.rpartition(",")[2] for row in rows) == sorted(
        line["turnaround"] or "" for line in lines_of(planner)
    )


def test_the_summary_and_the_page_say_that_it_is_not_in_the_sums(planner: Client) -> None:
    assert "Kits to be ordered for turnarounds aren't in it." in planner.get("/v1/order-list/summary").json()["notice"]
    page = planner.get("/").text
    assert 'for turnaround <a href="/turnarounds/TA-26">TA-26</a>' in page
    assert page.count("What is ordered for turnarounds") == 1
    assert page.count('data-label="Order, kits"') == len(lines_of(planner))


@pytest.mark.usefixtures("planned_run")
def test_lines_of_both_kinds_stand_by_the_day_to_act_on_however_they_are_read(client: Client) -> None:
    """Running lines first on a day; K-3 is an order to chase and stands at the cut-off."""
    wanted = ["K/2", "SAME DAY", "K-3", "LAST DAY", "NOWHERE", "K-1"]
    for limit in (1000, 1, 2, 4):
        assert [line["kit"] for line in lines_of(client, f"/v1/order-list?limit={limit}")] == wanted


@pytest.mark.usefixtures("planned_run")
def test_a_line_is_of_the_first_storeroom_that_serves_its_valves(client: Client) -> None:
    told = {line["kit"]: (line["storeroom"], line["reason"]) for line in lines_of(client)}
    assert told["LAST DAY"][0] == "B"
    assert told["LAST DAY"][1].endswith(" Its valves are served by B and MAIN; listed under the first.")
    assert (told["NOWHERE"][0], "served by" in told["NOWHERE"][1]) == ("", False)
    for room, kits in (("main", ["K/2", "SAME DAY", "K-3", "K-1"]), ("b", ["LAST DAY"]), ("EAST", [])):
        assert [line["kit"] for line in lines_of(client, f"/v1/order-list?limit=1&storeroom={room}")] == kits
