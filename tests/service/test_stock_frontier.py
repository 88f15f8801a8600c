"""Stock under a budget, over HTTP: steps, levels, the drawing, and what the run's lots and costs say beside it."""

import shutil
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import open_engines
from service.settings import Settings
from tests.service.test_run_forecast import FILES, bring_in, computed

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
RECORD = {
    **FILES,
    "lots.csv": ["storeroom,kit,lot,expires_on,qty", "MAIN,KP,OLD,2026-01-31,1"],
    "consequence_targets.csv": ["consequence,rule,target,cost_of_failure", "stops,least_cost,,4000"],
    "materials.csv": ["code,storage_life_days,edition,source", "NBR,120,2022,a table"],
    "parts.csv": ["code,material", "RING,NBR"],
    "kit_parts.csv": ["kit,part", "KP,RING"],
}


@pytest.fixture(scope="module")
def computed_file(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a database with a finished run of the small plant, with lots and costs."""
    path = tmp_path_factory.mktemp("frontier") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, RECORD)
    computed(engines)
    engines.reader.dispose()
    return path


@pytest.fixture
def frontier_client(computed_file: Path, connect: Connect) -> Iterator[Client]:
    """Connect to a server on that database, which these tests only read."""
    with connect(Settings(database_url=f"sqlite:///{computed_file}", access="open")) as client:
        yield client


def listed(client: Client, query: str = "") -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = client.get(f"/v1/stock-frontier?limit=1000{query}").json()["value"]
    return rows


def test_the_frontier_begins_at_the_floors_and_each_step_adds_a_pack(frontier_client: Client) -> None:
    body = frontier_client.get("/v1/stock-frontier?limit=1000").json()
    assert (body["run"], body["as_of"]) == (1, "2026-03-01")
    assert "left out for want of a price or a forecast: " in body["notice"]
    present, kept, *steps = body["value"]
    assert [row["point"] for row in (present, kept)] == ["present_stock", "reorder_points"]
    assert {row["point"] for row in steps} == {"frontier"}
    assert [row["step"] for row in steps] == list(range(len(steps)))
    assert steps[0]["cost"] == "80.10"  # the floor of one KP
    costs = [Decimal(row["cost"]) for row in steps]
    for before, after, row in zip(costs, costs[1:], steps[1:], strict=False):
        assert after - before == Decimal(row["unit_cost"])
    shortages = [row["shortage"] for row in steps]
    assert shortages == sorted(shortages, reverse=True)
    assert kept["shortage"] < present["shortage"]


def test_a_budget_gives_the_levels_of_the_last_step_it_pays(frontier_client: Client) -> None:
    steps = listed(frontier_client, "&budget=3000")
    levels = frontier_client.get("/v1/stock-frontier/levels?budget=3000").json()["value"]
    last = {(row["storeroom"], row["kit"]): row["stock_level"] for row in steps if row["kit"]}
    for row in levels:
        floor = 1 if (row["storeroom"], row["kit"]) == ("MAIN", "KP") else 0
        assert row["stock_level"] == last.get((row["storeroom"], row["kit"]), floor)
        assert Decimal(row["cost"]) == row["stock_level"] * Decimal(row["unit_cost"])
    together = sum(Decimal(row["cost"]) for row in levels)
    assert Decimal(steps[-1]["cost"]) == together <= 3000
    assert sum(row["shortage"] for row in levels) == pytest.approx(steps[-1]["shortage"], rel=1e-4)
    assert len(listed(frontier_client)) > len(steps)


def test_the_frontier_beats_the_present_stock_at_its_price(frontier_client: Client) -> None:
    present, _, *steps = listed(frontier_client)
    paid = [row for row in steps if Decimal(row["cost"]) <= Decimal(present["cost"])]
    assert paid[-1]["shortage"] <= present["shortage"]


def test_one_storeroom_alone(frontier_client: Client) -> None:
    assert {row["storeroom"] for row in listed(frontier_client, "&storeroom=east")} == {None, "EAST"}
    nowhere = frontier_client.get("/v1/stock-frontier?storeroom=nowhere")
    assert (nowhere.status_code, nowhere.json()["detail"]) == (404, "run 1 has no reorder point in storeroom nowhere")


def test_as_csv_and_as_a_drawing(frontier_client: Client) -> None:
    text = frontier_client.get("/v1/stock-frontier/levels?budget=3000&format=csv").text
    assert text.startswith("storeroom,kit,stock_level,present_level,reorder_point_level,unit_cost,cost,shortage,weight")
    answer = frontier_client.get("/v1/stock-frontier/plot.svg")
    assert answer.headers["content-type"] == "image/svg+xml"
    drawing = ET.fromstring(answer.text)
    words = " ".join(drawing.itertext())
    for told in ("present stock", "what the reorder points keep", "money in stock", "Data to 2026-03-01"):
        assert told in words
    assert len(drawing.findall(".//{http://www.w3.org/2000/svg}polyline")) == 1


@pytest.mark.parametrize("budget", ["-1", "many", "1e40"])
def test_budgets_that_can_not_be_are_refused(frontier_client: Client, budget: str) -> None:
    assert frontier_client.get(f"/v1/stock-frontier?budget={budget}").status_code == 400


def test_without_a_run_it_is_a_conflict(sqlite_client: Client) -> None:
    for path in ("", "/levels?budget=1", "/plot.svg"):
        assert sqlite_client.get(f"/v1/stock-frontier{path}").status_code == 409


def test_a_stored_reorder_point_says_what_expired_what_will_and_what_it_costs(frontier_client: Client) -> None:
    """The one KP on the shelf expired a month ago; rubber keeps for 120 days, fewer than what it is used in."""
    row = frontier_client.get("/v1/reorder-points/MAIN/KP").json()
    details = row["details"]
    assert (details["expired"], row["position"]) == (1, 0)
    assert "1 expired" in row["reason"]
    assert (details["shelf_life_days"], details["shelf_life_source"]) == (
        120.0,
        "material NBR of part RING (a table, 2022)",
    )
    assert details["order_expiring_mean"] > 0
    assert Decimal(details["order_expiring_cost"]) > 0
    assert "will probably expire before use, worth" in row["reason"]


def test_least_cost_is_computed_and_valued_beside_present_levels(frontier_client: Client) -> None:
    row = frontier_client.get("/v1/reorder-points/MAIN/KT-NEW").json()
    assert (row["rule"], row["target"], row["details"]["target_source"]) == (
        "least_cost",
        None,
        "target of consequence stops",
    )
    assert row["details"]["cost_per_year"] > 0
    other = frontier_client.get("/v1/reorder-points/MAIN/KP").json()
    assert other["rule"] == "fill_rate"
    assert other["details"]["present_fill_rate"] is not None
