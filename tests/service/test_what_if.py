"""What would be under other lead times, targets, prices: beside the run's own numbers, without storing anything."""

import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from litestar.testing import TestClient
from scipy.stats import poisson

from models.engine import Engines, open_engines
from models.queries import stock_cases
from models.runs import Run
from service.db import read_session, write_session
from service.settings import Settings
from service.translate_what_if import StockCase
from tests.database_copies import copied
from tests.database_dump import dump
from tests.service.conftest import connected
from tests.service.test_run_forecast import FILES, bring_in, computed
from tests.service.test_translate_stock import of_kit

Client = TestClient[Any]


def kept_case(storeroom: str, kit: str) -> bytes:
    """One question as a run keeps it: a kit of which one a hundred days is needed."""
    asked = of_kit()
    ends = (30.0, 60.0, 365.0, 730.0)
    case = StockCase(
        asked=replace(asked, question=replace(asked.question, storeroom=storeroom, kit=kit, valves=frozenset())),
        history_days=4000.0,
        ends=ends,
        probabilities=tuple(tuple(poisson.pmf(np.arange(40), end / 100.0).tolist()) for end in ends),
    )
    return zlib.compress(msgspec.msgpack.encode([case]))


@pytest.fixture(scope="module")
def engines(migrated_file: Path) -> Iterator[Engines]:
    """A small plant of two storerooms, forecast once."""
    with copied(f"sqlite:///{migrated_file}") as url:
        opened = open_engines(url)
        bring_in(opened, FILES)
        computed(opened)
        yield opened
        opened.reader.dispose()


@pytest.fixture(scope="module")
def plant(engines: Engines) -> Iterator[Client]:
    """The plant, served."""
    with connected(Settings(database_url=str(engines.reader.url), access="open")) as client:
        yield client


def supposed(plant: Client, **otherwise: Any) -> dict[str, Any]:
    answer = plant.post("/v1/what-if", json={"storeroom": "main", "kit": "kp", **otherwise})
    assert answer.status_code == 200, answer.text
    (row,) = answer.json()["value"]
    return dict(row)


def test_what_is_not_otherwise_gives_the_numbers_of_the_run(plant: Client) -> None:
    answer = plant.post("/v1/what-if", json={"floor_qty": 0}).json()
    stored = {(row["storeroom"], row["kit"]): row for row in plant.get("/v1/reorder-points").json()["value"]}
    assert len(answer["value"]) == sum(row["status"] == "computed" for row in stored.values()) > 2
    for row in answer["value"]:
        assert {**row["computed"], "reason": None} == {**row["what_if"], "reason": None}
        of_run = stored[row["storeroom"], row["kit"]]
        assert {of_run[name] == value for name, value in row["computed"].items() if name in of_run} == {True}
        assert {value for value in row["change"].values() if value is not None} <= {0, "0", "0.00"}
    assert float(answer["total_change"]["cost"]) == answer["total_change"]["short_per_year"] == 0.0


def test_nothing_is_stored(plant: Client, engines: Engines) -> None:
    before = dump(engines)
    supposed(plant, lead_time_days=200, target=0.99, unit_cost="9.50", shelf_life_days=700)
    assert plant.post("/v1/what-if", json={"target": 1.0}).status_code == 400
    assert dump(engines) == before


def test_a_longer_lead_time_takes_its_spread_along_and_asks_for_more(plant: Client) -> None:
    row = supposed(plant, lead_time_days=120)
    assert (row["computed"]["protection_interval_days"], row["what_if"]["protection_interval_days"]) == (44.0, 134.0)
    assert row["change"]["reorder_point"] > 0
    assert row["change"]["reorder_point"] == row["what_if"]["reorder_point"] - row["computed"]["reorder_point"]
    without = supposed(plant, lead_time_days=120, lead_time_sd_days=0)
    assert without["what_if"]["reorder_point"] <= row["what_if"]["reorder_point"]


def test_reorder_points_never_fall_as_target_lead_time_or_review_period_grow(plant: Client) -> None:
    for name, steps in (
        ("target", (0.5, 0.8, 0.9, 0.95, 0.99, 0.999)),
        ("lead_time_days", (1, 10, 30, 60, 180, 365, 730)),
        ("review_period_days", (0, 7, 30, 90, 365)),
    ):
        points = [supposed(plant, **{name: step})["what_if"]["reorder_point"] for step in steps]
        assert points == sorted(points), name


def test_a_price_changes_what_an_order_costs_and_how_many_are_ordered(plant: Client) -> None:
    dear, cheap = (supposed(plant, unit_cost=price)["what_if"] for price in ("20000.00", "0.10"))
    assert dear["order_quantity"] <= cheap["order_quantity"]
    assert float(dear["cost"] or 0) == 20000.0 * dear["proposed_quantity"]
    assert dear["unit_cost"] == "20000.00"


def test_a_short_shelf_life_cuts_orders(plant: Client) -> None:
    long, short = (supposed(plant, unit_cost="0.10", shelf_life_days=days)["what_if"] for days in (3650, 60))
    assert short["order_quantity"] < long["order_quantity"]


def test_a_storeroom_is_told_together(plant: Client) -> None:
    answer = plant.post("/v1/what-if", json={"storeroom": "MAIN", "target": 0.999}).json()
    assert {row["storeroom"] for row in answer["value"]} == {"MAIN"}
    cost = sum(float(row["what_if"]["cost"] or 0) for row in answer["value"])
    assert float(answer["total_what_if"]["cost"]) == pytest.approx(cost)
    assert answer["total_change"]["short_per_year"] <= 0.0
    assert answer["total_change"]["stock_value"] > 0.0


@pytest.mark.parametrize(
    ("otherwise", "said"),
    [
        ({"lead_time_days": -5}, "Expected `float` > 0.0"),
        ({"lead_time_days": 0}, "Expected `float` > 0.0"),
        ({"lead_time_days": 100_000}, "Expected `float` <= 730.0"),
        ({"lead_time_sd_days": -1}, "Expected `float` >= 0.0"),
        ({"review_period_days": -7}, "Expected `float` >= 0.0"),
        ({"target": 0}, "Expected `float` > 0.0"),
        ({"target": 1.0}, "Expected `float` < 1.0"),
        ({"target": "high"}, "Expected `float | null`, got `str`"),
        ({"shelf_life_days": 0}, "Expected `int` >= 1"),
        ({"pack_qty": 0}, "Expected `int` >= 1"),
        ({"floor_qty": -1}, "Expected `int` >= 0"),
    ],
)
def test_what_can_not_be_is_refused_with_its_place(plant: Client, otherwise: dict[str, Any], said: str) -> None:
    answer = plant.post("/v1/what-if", json=otherwise)
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert (error["pointer"], error["expected"]) == (f"/{next(iter(otherwise))}", said)


@pytest.mark.parametrize(
    ("otherwise", "said"),
    [
        ({}, "something that would be otherwise"),
        ({"storeroom": "MAIN", "kit": "KP"}, "something that would be otherwise"),
        ({"unit_cost": "0"}, "an amount of money above 0"),
        ({"unit_cost": "-3.50"}, "an amount of money above 0"),
        ({"unit_cost": "NaN"}, "an amount of money above 0"),
        ({"policies": []}, "policies"),
    ],
)
def test_a_question_that_is_none_is_refused(plant: Client, otherwise: dict[str, Any], said: str) -> None:
    answer = plant.post("/v1/what-if", json=otherwise)
    assert answer.status_code == 400
    assert said in answer.text


def test_a_kit_nobody_knows_is_not_found(plant: Client) -> None:
    answer = plant.post("/v1/what-if", json={"kit": "NO-SUCH", "target": 0.9})
    assert answer.status_code == 404
    assert "knows of no reorder point of kit NO-SUCH" in answer.json()["detail"]
    answer = plant.post("/v1/what-if", json={"storeroom": "NOWHERE", "target": 0.9})
    assert "of any kit in storeroom NOWHERE" in answer.json()["detail"]


def test_a_kit_nothing_was_decided_about_says_why(plant: Client) -> None:
    rows = plant.get("/v1/reorder-points").json()["value"]
    undecided = next(row for row in rows if row["status"] != "computed")
    answer = plant.post("/v1/what-if", json={"kit": undecided["kit"], "target": 0.9})
    assert answer.status_code == 409
    assert undecided["reason"] in answer.json()["detail"]


def test_only_the_last_runs_can_be_asked(engines: Engines, plant: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    with read_session(engines) as session:
        kept = stock_cases.stock_cases(session, session.get_one(Run, 1))
    monkeypatch.setattr(stock_cases, "RUNS_KEPT", 0)
    with write_session(engines) as session:
        stock_cases.drop_old_cases(session)
    answer = plant.post("/v1/what-if", json={"target": 0.9})
    assert (answer.status_code, "is not kept" in answer.json()["detail"]) == (404, True)
    with write_session(engines) as session:
        stock_cases.store_cases(session, run_id=1, content=kept)
