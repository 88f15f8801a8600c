"""What would be under other lead times, targets, prices: beside the run's own numbers, without storing anything."""

import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from litestar.testing import TestClient
from scipy.stats import poisson

from forecasting.errors import InvalidInput
from models.base import NotFound
from models.engine import Engines, open_engines
from models.queries import stock_cases, turnaround_plans
from models.runs import Run
from service.db import read_session, write_session
from service.problems import ProblemFound
from service.run_inputs import Inputs
from service.schemas.records import TurnaroundRecord, ValveRecord
from service.schemas.what_if import WhatIfRequest, WhatIfTurnaround
from service.schemas.windows import WindowQuestion
from service.settings import Settings
from service.stored_plans import unpacked_kits
from service.translate_fleet import known_of, misfits
from service.translate_fleet import otherwise as fleet_otherwise
from service.translate_what_if import StockCase
from service.use_cases.answer_what_if import answer_what_if
from service.use_cases.answer_window import answer_window
from service.use_cases.ask_what_if import ask_what_if
from tests.database_copies import copied
from tests.database_dump import dump
from tests.service.conftest import connected
from tests.service.test_run_forecast import AS_OF, FILES, bring_in, computed, results
from tests.service.test_translate_stock import of_kit
from tests.service.turnaround_record import WET_FILES

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
        ({"lead_time_days": -5}, "a number of days above 0 and up to 730, or null"),
        ({"lead_time_days": 0}, "a number of days above 0 and up to 730, or null"),
        ({"lead_time_days": 100_000}, "a number of days above 0 and up to 730, or null"),
        ({"lead_time_sd_days": -1}, "a number of days from 0 to 730, or null"),
        ({"review_period_days": -7}, "a number of days from 0 to 365, or null"),
        ({"target": 0}, "a number between 0 and 1, both excluded, or null"),
        ({"target": 1.0}, "a number between 0 and 1, both excluded, or null"),
        ({"target": "high"}, "a number between 0 and 1, both excluded, or null"),
        ({"shelf_life_days": 0}, "a whole number of days, 1 or more, or null"),
        ({"pack_qty": 0}, "a whole number, 1 or more, or null"),
        ({"floor_qty": -1}, "a whole number, 0 or more, or null"),
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
        ({"policies": []}, "something that would be otherwise"),
        ({"policy": "none"}, "policy"),
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


def supposed_here(engines: Engines, otherwise: dict[str, Any]) -> dict[str, Any]:
    """The answer without a process of its own."""
    wanted = msgspec.convert(otherwise, WhatIfRequest)
    made = ask_what_if(engines, lambda question: answer_what_if(engines, question), wanted, run_id=None)
    return dict(msgspec.to_builtins(made))


def need(answer: Any, kit: str, of: str) -> dict[str, Any]:
    (row,) = (row for row in answer["demand"] if row["kit"] == kit)
    assert row["change"]["mean"] == pytest.approx(row["what_if"]["mean"] - row["computed"]["mean"], abs=1e-5)
    return dict(row[of])


def test_the_policy_there_is_gives_the_numbers_of_the_run(plant: Client) -> None:
    """Forecast anew, in a process of its own: nothing of the demand changes, and all is decided as before."""
    same = {"service_class": "WET", "maintainable_item": "packing", "policy": "predetermined", "interval_days": 1200}
    answer = plant.post("/v1/what-if", json={"policies": [same]})
    assert answer.status_code == 200, answer.text
    made = answer.json()
    assert len(made["value"]) > 2
    for row in made["value"]:
        row["computed"]["reason"] = row["what_if"]["reason"] = None
        for name, value in row["computed"].items():
            assert row["what_if"][name] == (pytest.approx(value, rel=5e-5) if isinstance(value, float) else value), name
    assert {row["kit"] for row in made["demand"]} == {"KP", "KT-NEW"}, "no other kit is touched"
    # time is cut where any window ends, so the last of six digits may differ
    assert all(abs(value) < 1e-4 for row in made["demand"] for value in row["change"].values())


VALVES = FILES["valves.csv"]
OTHERWISE: dict[str, Any] = {
    "policies": [
        {"service_class": "wet", "maintainable_item": "packing", "policy": "predetermined", "interval_days": 500},
        {"service_class": "dry", "maintainable_item": "trim", "policy": "corrective"},
    ],
    "valves_added": [
        {"service_class": "wet", "design": "globe-2", "area": "U100", "number": 2, "installed_on": "2026-06-01"}
    ],
    "valves_retired": [{"tag": "fv-2", "removed_on": "2026-08-01"}],
}


def test_what_if_is_what_a_run_of_such_a_record_says(engines: Engines, migrated_file: Path) -> None:
    """Policies changed, valves added and one retired: stated in the files of another plant, and forecast there."""
    before = dump(engines)
    made = supposed_here(engines, OTHERWISE)
    assert dump(engines) == before
    files = dict(FILES)
    files["policies.csv"] = [
        "service_class,maintainable_item,policy,interval_days",
        "wet,packing,predetermined,500",
        "dry,trim,corrective,",
    ]
    files["valves.csv"] = [line.replace("2015-02-01,curtails,", "2015-02-01,curtails,2026-08-01") for line in VALVES]
    files["valves.csv"] += [f"NEW-{number},GLOBE-2,wet,U100,2026-06-01,,," for number in (1, 2)]
    with copied(f"sqlite:///{migrated_file}") as url:
        other = open_engines(url)
        bring_in(other, files)
        computed(other)
        stored = {(row["storeroom"], row["kit"]): row for row in results(other, 1)["reorder_points"]}
        year = WindowQuestion(run=1, kit="KP", starts_on=AS_OF + timedelta(days=1), ends_on=AS_OF + timedelta(days=365))
        in_a_year = answer_window(other, year).demand
        other.reader.dispose()
    assert in_a_year is not None
    assert need(made, "KP", "what_if")["mean"] == pytest.approx(in_a_year["mean"], rel=5e-5)
    assert need(made, "KP", "what_if")["p90"] == in_a_year["p90"]
    assert need(made, "KP", "change")["planned_mean"] > 0.5
    assert any(row["change"]["reorder_point"] for row in made["value"])
    for row in made["value"]:
        run = stored[row["storeroom"], row["kit"]]
        for name in ("reorder_point", "order_quantity", "position", "proposed_quantity", "cycle_service_level"):
            assert row["what_if"][name] == pytest.approx(run[name], rel=5e-5), name


def stored_of(engines: Engines) -> tuple[dict[tuple[str, str], Any], dict[tuple[str, str], Any]]:
    """Reorder points of the latest run, and the kits its turnarounds want."""
    with read_session(engines) as session:
        plans = [unpacked_kits(content) for content in turnaround_plans.stored_plans(session, 1)]
    rows = {(row["storeroom"], row["kit"]): row for row in results(engines, 1)["reorder_points"]}
    return rows, {(plan.code, kit.kit): msgspec.to_builtins(kit) for plan in plans for kit in plan.kits}


@pytest.mark.parametrize("day", ["2026-06-08", "2027-02-01"], ids=["earlier", "later"])
def test_a_moved_turnaround_is_what_a_run_of_such_a_record_says(wet_file: Path, migrated_file: Path, day: str) -> None:
    """Levels, demand, and what every turnaround to come wants ordered: late or not, with what the earlier one takes."""
    opened = open_engines(f"sqlite:///{wet_file}")
    made = supposed_here(opened, {"turnarounds": [{"turnaround": "ta-26", "starts_on": day}]})
    _, planned = stored_of(opened)
    opened.reader.dispose()
    ends_on = date.fromisoformat(day) + timedelta(days=20)
    files = dict(WET_FILES)
    files["turnarounds.csv"] = [
        line.replace("2026-09-07,2026-09-27", f"{day},{ends_on}") for line in WET_FILES["turnarounds.csv"]
    ]
    with copied(f"sqlite:///{migrated_file}") as url:
        other = open_engines(url)
        bring_in(other, files)
        computed(other)
        levels, kits = stored_of(other)
        other.reader.dispose()
    for row in made["value"]:
        run = levels[row["storeroom"], row["kit"]]
        for name in ("reorder_point", "order_quantity", "position", "proposed_quantity", "cycle_service_level"):
            assert row["what_if"][name] == pytest.approx(run[name], rel=5e-5), name
    told = {(row["turnaround"], row["kit"]): row for row in made["turnaround_kits"]}
    assert told.keys() >= kits.keys() == planned.keys() >= {("TA-26", "KT"), ("TA-28", "KT")}
    for key, row in told.items():
        for of, plan in (("what_if", kits), ("computed", planned)):
            assert row[of] == {name: plan[key][name] for name in row[of]}, (key, of)
    late = {of: told["TA-26", "KT"][of]["days_late"] for of in ("computed", "what_if")}
    assert late["what_if"] > late["computed"] if day < "2026-09" else late["what_if"] < late["computed"]


def test_one_kit_is_told_alone_and_other_times_hold_beside_another_fleet(engines: Engines) -> None:
    asked = {"kit": "kp", "storeroom": "main", "lead_time_days": 120, **OTHERWISE}
    made = supposed_here(engines, asked)
    (row,) = made["value"]
    assert (row["kit"], row["what_if"]["protection_interval_days"]) == ("KP", 134.0)
    assert [one["kit"] for one in made["demand"]] == ["KP"]
    assert row["what_if"]["reorder_point"] > row["computed"]["reorder_point"]


KNOWN = known_of(
    Inputs(
        valves=[ValveRecord(tag="FV-1", design="D", service_class="wet", area="U1", installed_on="2015")],
        turnarounds=[
            TurnaroundRecord(code="PAST", starts_on=date(2020, 1, 1), areas=["U1"]),
            TurnaroundRecord(code="TA", starts_on=date(2027, 1, 1), ends_on=date(2027, 1, 20), areas=["U1"]),
        ],
    ),
    as_of=AS_OF,
    last=date(2028, 3, 31),
)


@pytest.mark.parametrize(
    ("otherwise", "places"),
    [
        (
            {"policies": [{"service_class": "dry", "maintainable_item": "seat", "policy": "corrective"}]},
            ["/policies/0/service_class", "/policies/0/maintainable_item"],
        ),
        (
            {"policies": 2 * [{"service_class": "wet", "maintainable_item": "whole_valve", "policy": "corrective"}]},
            ["/policies/1/service_class"],
        ),
        (
            {"valves_added": [{"service_class": "x", "design": "y", "area": "z", "number": 1}]},
            ["/valves_added/0/service_class", "/valves_added/0/design", "/valves_added/0/area"],
        ),
        (
            {
                "valves_added": [
                    {"service_class": "wet", "design": "d", "area": "u1", "number": 1, "installed_on": "2020-01-01"}
                ]
            },
            ["/valves_added/0/installed_on"],
        ),
        ({"valves_retired": [{"tag": "FV-2"}]}, ["/valves_retired/0/tag"]),
        ({"valves_retired": [{"tag": "fv-1", "removed_on": "2090-01-01"}]}, ["/valves_retired/0/removed_on"]),
        ({"valves_retired": [{"tag": "fv-1"}, {"tag": "FV-1"}]}, ["/valves_retired/1/tag"]),
        ({"turnarounds": [{"turnaround": "past", "starts_on": "2027-01-01"}]}, ["/turnarounds/0/turnaround"]),
        (
            {"turnarounds": [{"turnaround": "ta", "starts_on": "2025-01-01", "ends_on": "2024-01-01"}]},
            ["/turnarounds/0/starts_on", "/turnarounds/0/ends_on"],
        ),
    ],
    ids=str,
)
def test_what_the_record_does_not_know_is_refused_with_its_place(otherwise: dict[str, Any], places: list[str]) -> None:
    wrong = misfits(msgspec.convert(otherwise, WhatIfRequest), KNOWN)
    assert [one.pointer for one in wrong] == places
    assert all(one.expected and one.value for one in wrong)


def test_a_turnaround_that_is_moved_lasts_as_long_as_before() -> None:
    wanted = WhatIfRequest(turnarounds=[WhatIfTurnaround(turnaround="ta", starts_on=date(2027, 3, 1))])
    made = fleet_otherwise(Inputs(turnarounds=list(KNOWN.turnarounds.values())), wanted, KNOWN)
    assert [(one.starts_on, one.ends_on) for one in made.turnarounds] == [
        (date(2020, 1, 1), None),
        (date(2027, 3, 1), date(2027, 3, 20)),
    ]


@pytest.mark.parametrize(
    ("otherwise", "said"),
    [
        ({"policies": [{"service_class": "wet", "maintainable_item": "trim", "policy": "predetermined"}]}, "interval"),
        (
            {"valves_added": [{"service_class": "w", "design": "d", "area": "a", "number": 0}]},
            "a whole number from 1 to 1000",
        ),
        ({"turnarounds": [{"turnaround": "ta", "starts_on": "soon"}]}, "a date like 2017-04-30"),
        ({"kit": "kp", "lead_time_sd_days": 300}, "`lead_time_spread` must be at most `lead_time`"),
    ],
    ids=str,
)
def test_a_fleet_that_can_not_be_is_a_problem(plant: Client, otherwise: dict[str, Any], said: str) -> None:
    answer = plant.post("/v1/what-if", json=otherwise)
    assert answer.status_code == 400
    assert said in answer.text


def test_a_valve_nobody_knows_and_a_kit_nobody_takes_are_told(engines: Engines) -> None:
    with pytest.raises(ProblemFound, match="doesn't fit the record that run 1 read") as caught:
        supposed_here(engines, {"valves_retired": [{"tag": "FV-404"}]})
    assert [(one.pointer, one.value) for one in caught.value.errors] == [("/valves_retired/0/tag", "FV-404")]
    with pytest.raises(NotFound, match="kit NO-SUCH would be neither needed nor stocked"):
        supposed_here(engines, {"kit": "NO-SUCH", "valves_retired": [{"tag": "FV-1"}]})
    with pytest.raises(InvalidInput, match="`lead_time_spread` must be at most"):
        supposed_here(engines, {"kit": "KT-NEW", "storeroom": "EAST", "lead_time_sd_days": 300.0, **OTHERWISE})
