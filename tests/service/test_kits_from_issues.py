"""Kits that no valve takes: forecast from their issues alone, said so; stock of them is a finding."""

import shutil
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from sqlalchemy import Table, select

from forecasting.issue_demand import PERIOD
from forecasting.usage_history import usage_demand, usage_forecast
from models.engine import Engines, open_engines
from models.queries import runs
from service.use_cases.import_files import import_files
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import run_forecast

AS_OF = date(2026, 3, 1)
# 24 months: periods of 30.4375 days that end with the data cut-off, the first demand in the oldest of them
MONTHS = (2, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0, 1, 0, 0, 2, 0, 0, 0, 0, 1, 0, 0, 1, 0)


def day(month: int) -> date:
    return AS_OF - timedelta(days=int((len(MONTHS) - 1 - month + 0.5) * PERIOD))


ISSUES = [f"S-{month},SPACER,MAIN,{day(month)},{qty}," for month, qty in enumerate(MONTHS) if qty]
FILES = {
    "areas.csv": ["code,records_begin_on,storeroom", "U100,2020-01-01,MAIN"],
    "valves.csv": ["tag,design,area,installed_on", "FV-1,GLOBE,U100,2020-01-01"],
    "events.csv": ["tag,done_on,action", *(f"FV-1,{year}-06-01,rebuild" for year in range(2021, 2026))],
    "kits.csv": [
        "code,lead_time_days,superseded_by,superseded_on",
        *("SPACER,60,,", "ONCE,60,,", "NEVER,60,,", "TWO-ROOMS,60,,", "OLD,,SPACER,2020-01-01"),
    ],
    "stock.csv": [
        "storeroom,kit,on_hand",
        *("MAIN,SPACER,1", "MAIN,ONCE,0", "MAIN,NEVER,4", "MAIN,TWO-ROOMS,1", "EAST,TWO-ROOMS,1"),
    ],
    "stock_settings.csv": ["storeroom,kit,target", "MAIN,ONCE,0.9"],
    "issues.csv": [
        "ref,kit,storeroom,issued_on,qty,tag",
        f"FIRST,OTHER,,{AS_OF - timedelta(days=int(24 * PERIOD) - 1)},1,",
        *ISSUES,
        # three more of the superseded kit went out and came back
        f"O-1,OLD,MAIN,{day(3)},3,",
        f"O-2,OLD,MAIN,{day(3)},-3,",
        f"ONE,ONCE,,{day(20)},3,",
        f"T-1,TWO-ROOMS,MAIN,{day(5)},1,",
        f"T-2,TWO-ROOMS,MAIN,{day(15)},1,",
        f"T-3,TWO-ROOMS,,{day(15)},2,",
        "LATER,SPACER,MAIN,2026-03-02,50,",
    ],
}
Client = TestClient[Any]
Found = dict[str, list[dict[str, Any]]]


def computed(engines: Engines) -> Found:
    """What a run of the small plant stores."""
    import_files(
        engines, {name: BytesIO("\n".join(rows).encode()) for name, rows in FILES.items()}, today=date(2026, 3, 2)
    )
    run_id = request_run(engines, as_of=AS_OF)
    run_forecast(engines, run_id=run_id)
    tables: dict[str, Table] = {
        name: model.metadata.tables[str(model.__tablename__)] for name, model in runs.RESULT_TABLES.items()
    }
    with engines.reader.connect() as connection:
        stored = {name: connection.execute(select(table).order_by(table.c.id)) for name, table in tables.items()}
        return {name: [dict(row) for row in rows.mappings()] for name, rows in stored.items()}


@pytest.fixture(scope="module")
def found(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Found:
    """Give what a run of the small plant stored."""
    path = shutil.copyfile(migrated_file, tmp_path_factory.mktemp("issued") / "record.sqlite")
    engines = open_engines(f"sqlite:///{path}")
    stored = computed(engines)
    engines.reader.dispose()
    return stored


def test_both_databases_store_the_same(engines: Engines, found: Found) -> None:
    told = computed(engines)
    for name in ("demand", "reorder_points", "findings"):
        assert msgspec.json.encode(told[name], order="deterministic") == msgspec.json.encode(
            found[name], order="deterministic"
        )


def level(found: Found, kit: str, storeroom: str = "MAIN") -> dict[str, Any]:
    return next(row for row in found["reorder_points"] if (row["storeroom"], row["kit"]) == (storeroom, kit))


def years(found: Found, kit: str) -> list[dict[str, Any]]:
    return [row for row in found["demand"] if (row["area"], row["kit"], row["bucket"]) == ("", kit, "year")]


def test_demand_is_that_of_the_issues_and_says_so(found: Found) -> None:
    first = years(found, "SPACER")[0]
    days = (first["ends_on"] - AS_OF).days
    expected = usage_demand(usage_forecast(MONTHS), periods=days / PERIOD)
    assert first["probabilities"] == pytest.approx(expected.tolist(), rel=1e-5, abs=1e-11)
    assert (first["status"], first["unplanned_mean"], first["planned_mean"]) == ("from_issues", None, None)
    assert first["reason"] == (
        "no valve says when: from issues alone, SBA, intermittent; 7 demands in 24 months; "
        "ADI 3.43, CV2 0.14 (divisor n-1)"
    )
    assert first["details"]["method"] == "SBA from issues"


def test_what_valves_take_is_forecast_as_before(found: Found) -> None:
    assert {row["status"] for row in years(found, "rebuild GLOBE")} == {"forecast"}


def test_a_reorder_point_rests_on_the_issues_and_is_ordered_by(found: Found) -> None:
    row = level(found, "SPACER")
    # 60 days lead time, a review every 7: the smallest level that holds 95 % of what may be asked for
    cover = [usage_demand(usage_forecast(MONTHS), periods=days / PERIOD).cumsum() for days in (60.0, 67.0)]
    at_most, at_least = (int((reached >= 0.95).argmax()) for reached in reversed(cover))
    assert at_least <= row["reorder_point"] <= at_most
    assert (row["status"], row["position"]) == ("computed", 1)
    assert row["proposed_quantity"] > 0
    assert row["reason"].endswith(
        "no valve in the register takes it: from issues alone, SBA, intermittent; 7 demands in 24 months; "
        "ADI 3.43, CV2 0.14 (divisor n-1)"
    )
    assert row["details"]["issues"]["cv_squared_divisor"] == "n-1"


def test_one_demand_and_none_have_answers(found: Found) -> None:
    """Of the one without a storeroom it is plain where it went; what nobody asked for isn't bought."""
    once, never = level(found, "ONCE"), level(found, "NEVER")
    assert once["reason"].endswith("from issues alone, plain rate, single demand; 1 demand in 24 months")
    assert once["details"]["issues"]["demands"] == 1
    assert (never["status"], never["proposed_quantity"], never["reorder_point"]) == ("not_computed", 0, None)
    assert never["reason"] == (
        "no valve in the register takes it and none was issued in 24 months: no order is proposed"
    )
    # half a demand of one in the 24 months: the mean of Jeffreys' prior
    days = sum((row["ends_on"] - row["starts_on"]).days + 1 for row in years(found, "NEVER"))
    assert sum(row["mean"] for row in years(found, "NEVER")) == pytest.approx(0.5 / 24 * days / PERIOD, rel=1e-5)


def test_issues_without_a_storeroom_count_for_the_plant(found: Found) -> None:
    row, other = level(found, "TWO-ROOMS"), level(found, "TWO-ROOMS", "EAST")
    assert row["details"]["issues"]["demands"] == 2
    assert years(found, "TWO-ROOMS")[0]["details"]["issues"]["demands"] == 2
    assert years(found, "TWO-ROOMS")[0]["mean"] > row["details"]["yearly_demand_mean"] * 300 / 365
    said = "1 of its issues name no storeroom: they count for the plant, not for this level"
    assert said in row["details"]["warnings"]
    assert said in other["details"]["warnings"]
    assert other["status"] == "not_computed"


def test_stock_that_no_valve_takes_is_a_finding_in_plain_words(found: Found) -> None:
    told = {row["record_key"]: row for row in found["findings"] if row["kind"] == "dead_stock"}
    assert told.keys() == {"MAIN/SPACER", "MAIN/NEVER", "MAIN/TWO-ROOMS", "EAST/TWO-ROOMS"}
    never = told["MAIN/NEVER"]
    assert never["file"] == "stock"
    assert never["detail"].startswith(
        "4 of NEVER lie in MAIN, but no valve in the register takes it, and none was issued since issues are recorded"
    )
    assert never["treatment"] == "nothing is ordered: find the valve it is for, use it up or write it off"
    assert told["MAIN/SPACER"]["detail"].endswith(f"; the last was issued on {day(22)}")
    assert told["MAIN/SPACER"]["treatment"] == "its reorder point follows from its issues alone"


def test_over_http_the_method_is_its_own_and_why_tells_of_issues(client: Client, engines: Engines) -> None:
    computed(engines)
    row = client.get("/v1/reorder-points/MAIN/SPACER").json()
    listed = {
        line["method"]
        for path in ("reorder-points", "demand", "order-list")
        for line in client.get(f"/v1/{path}", params={"kit": "SPACER"}).json()["value"]
        if line["kit"] == "SPACER"
    }
    assert {row["method"], *listed} == {"SBA from issues"}
    why = client.get("/v1/reorder-points/MAIN/SPACER/why").json()
    assert why["method"] == "SBA from issues"
    assert "No valve says when it is needed; its issues alone, 7 demands in 24 months, let expect" in why["sentence"]
