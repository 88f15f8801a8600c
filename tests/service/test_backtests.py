"""Back-tests of a small plant: stored with the latest run, listed beside simple methods, on the face of every run."""

import json
import shutil
from collections.abc import Callable, Sequence
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import func, select

from forecasting.errors import InsufficientData
from forecasting.past_plants import plant_at
from models.backtests import Backtest, BacktestScore
from models.engine import Engines, open_engines
from models.queries.backtests import store_backtest
from service.db import read_session, write_session
from service.run_inputs import Asked, asked_of, read_inputs
from service.settings import today
from service.translate_backtest import past_plant, takings_of
from service.use_cases.import_files import import_files
from service.use_cases.read_exchanges import read_exchanges
from service.use_cases.run_backtest import run_backtest
from tests.commands import valve_kits
from tests.service.conftest import AS_OF, NOON

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]

FILES = {
    "areas.csv": ["code,records_begin_on,storeroom", "U100,2023-01-01,MAIN"],
    "kits.csv": [
        "code,renews,lead_time_days,superseded_by",
        *("KP,packing,20,", "KT,packing|trim,60,", "OLD,packing,20,KP"),
    ],
    "design_kits.csv": ["design,maintainable_item,kit,qty", "GLOBE,packing,KP,2", "GLOBE,trim,KT,1"],
    "valves.csv": [
        "tag,design,service_class,area,installed_on",
        *(f"FV-{number},GLOBE,wet,U100,2016-01-01" for number in (1, 2, 3)),
    ],
    "events.csv": [
        "ref,tag,done_on,action,reason,renewed,kits_used,serial_fitted,as_found",
        *(f"P{year},FV-1,{year}-03-01,rebuild,failure,packing,,," for year in range(2017, 2026)),
        *(f"T{year},FV-2,{year}-05-10,rebuild,failure,trim,KT:1,," for year in (2018, 2021, 2024)),
        "OLD,FV-2,2019-01-01,rebuild,failure,packing,OLD:3,,",
        "ALL,FV-3,2020-06-06,rebuild,failure,,,,",
        "SEEN,FV-3,2021-07-07,rebuild,planned,,,,packing:worn|trim:ok",
        "OUT,FV-3,2023-04-01,exchange,failure,,,S2,",
        "LATER,FV-3,2026-03-02,rebuild,failure,,,,",
    ],
    "stock_settings.csv": ["storeroom,kit,target,present_reorder_point", "MAIN,KP,0.9,1"],
    "issues.csv": ["ref,kit,storeroom,issued_on,qty,tag", "I1,KT,MAIN,2023-06-15,1,FV-3"],
}


def bring_in(engines: Engines, files: dict[str, list[str]]) -> None:
    content = {name: BytesIO("\n".join(rows).encode()) for name, rows in files.items()}
    import_files(engines, content, today=date(2026, 3, 2))


def asked(engines: Engines, *, as_of: date = AS_OF) -> Asked:
    with read_session(engines) as session:
        inputs = read_inputs(session, read_exchanges(session, as_of=as_of)).inputs
    return asked_of(inputs, as_of=as_of)


def test_takings_are_the_kits_named_else_those_of_the_items_renewed(sqlite_engines: Engines) -> None:
    """An event that says neither takes those of what it found worn. An exchange's are taken when they were issued.

    A trim kit covers the packing; the old kit counts as the new.
    """
    bring_in(sqlite_engines, FILES)
    taken = {
        (one.valve, date.fromordinal(one.day).isoformat()): (one.kit, one.qty)
        for one in takings_of(asked(sqlite_engines))
    }
    assert taken == {
        **{("FV-1", f"{year}-03-01"): ("KP", 2) for year in range(2017, 2026)},
        **{("FV-2", f"{year}-05-10"): ("KT", 1) for year in (2018, 2021, 2024)},
        ("FV-2", "2019-01-01"): ("KP", 3),
        ("FV-3", "2021-07-07"): ("KP", 2),
        ("FV-3", "2023-06-15"): ("KT", 1),
    }


EXPORTED = date(2024, 3, 2)
MOVED = {
    "valves.csv": [*FILES["valves.csv"], "FV-4,GLOBE,dry,U100,2015", "FV-5,GLOBE,dry,U100,2024-06-01"],
    "events.csv": [
        *FILES["events.csv"],
        "R1,FV-4,2023-08-01,reclassify,,,,,",
        "R2,FV-4,2024-09-01,reclassify,,,,,",
        "M1,FV-4,2024-02,rebuild,condition,packing,,,",
        "M2,FV-4,2024-03,rebuild,condition,packing,,,",
        "X1,FV-1,2024-01-15,exchange,failure,,,S7,",
    ],
    "issues.csv": [
        *FILES["issues.csv"],
        *("I2,KT,MAIN,2024-02-20,1,FV-1", "I3,KP,MAIN,2024-04-20,2,FV-1"),
    ],
}
WHEN_EXPORTED = {
    # the class of that day, and the valve of June not yet in the register
    "valves.csv": [*FILES["valves.csv"], "FV-4,GLOBE,steam,U100,2015"],
    "events.csv": [
        MOVED["events.csv"][0],
        *(row for row in MOVED["events.csv"] if row.split(",")[2] <= "2024-03-02" and row[:3] != "M2,"),
    ],
    "issues.csv": [MOVED["issues.csv"][0], *(row for row in MOVED["issues.csv"] if row.split(",")[3] <= "2024-03-02")],
}


def with_classes(files: dict[str, list[str]]) -> dict[str, list[str]]:
    """FV-4 went from wet to steam, then to dry."""
    left = {"R1": "wet", "R2": "steam"}
    events = ["ref,tag,done_on,action,reason,renewed,kits_used,serial_fitted,as_found,service_class_from"]
    events += [f"{row},{left.get(row[:2], '')}" for row in files["events.csv"][1:]]
    return {**FILES, **files, "events.csv": events}


def test_the_plant_of_an_earlier_day_is_that_of_the_record_exported_then(
    sqlite_engines: Engines, tmp_path: Path, migrated_file: Path
) -> None:
    """Values of the register that carry no date aside: both name what the valve is today."""
    bring_in(sqlite_engines, with_classes(MOVED))
    cut = plant_at(past_plant(asked(sqlite_engines)), EXPORTED.toordinal(), windows=(), youngest=365)
    path = shutil.copyfile(migrated_file, tmp_path / "exported.sqlite")
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, with_classes(WHEN_EXPORTED))
    exported = past_plant(asked(engines, as_of=EXPORTED))
    engines.reader.dispose()
    assert len(cut.histories) == 4
    assert cut.histories == exported.histories
    assert {tag: seen for tag, seen in cut.exchanges.items() if seen} == exported.exchanges
    assert [len(seen.issued) for seen in cut.exchanges["FV-1"]] == [1]


def test_a_back_test_is_stored_with_the_latest_run_and_said_on_its_face(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    bring_in(engines, FILES)
    earlier, run = finish_run(engines), finish_run(engines)
    summary = run_backtest(engines, as_of=None)
    assert summary.startswith(f"last back-test {today()}, on the record up to 2026-03-01: from 3 earlier days 365 days")
    page = client.get("/v1/accuracy").json()
    assert (page["run"], page["last_backtest"]) == (run, summary)
    rows = {(row["kit"], row["storeroom"], row["method"]): row for row in page["value"]}
    methods = {"forecast", "plain mean rate", "SBA", "TSB", "exponential smoothing"}
    assert {method for kit, room, method in rows if (kit, room) == ("KT", "")} == methods
    assert ("KP", "MAIN", "present level") in rows
    # FV-1's packing took 2 kits on 2025-03-01, within a year of 2024-03-02 and 2024-08-31, not after 2025-03-01
    assert rows["KP", "", "forecast"]["actual_mean"] == pytest.approx(4 / 3, rel=1e-5)
    assert rows["KP", "", "forecast"]["forecasts"] == 3
    assert rows["", "", "forecast"]["forecasts"] == 6
    assert page["value"][0]["kit"] == ""
    face = client.get(f"/v1/runs/{run}").json()["last_backtest"]
    assert (face["summary"], face["age_days"], face["as_of"]) == (summary, 0, "2026-03-01")
    assert (face["origins"][-1], len(face["origins"]), face["kit_forecasts"]) == ("2025-03-01", 3, 6)
    assert sum(face["pit_heights"]) == pytest.approx(10.0, abs=1e-3)
    assert {(one["kit"], one["storeroom"]) for one in face["lost"]} <= {(kit, room) for kit, room, _ in rows}
    assert "register" not in summary
    assert any("those of today" in note for note in face["notes"])
    assert face["notes"][-1].startswith("3 of 17 rebuilds and exchanges say neither what was renewed nor which kits")
    assert client.get("/v1/demand").json()["last_backtest"] == summary
    assert client.get(f"/v1/runs/{earlier}").json()["last_backtest"] is None
    lost = client.get("/v1/accuracy", params={"verdict": "worse"}).json()["value"]
    assert [row for row in page["value"] if row["verdict"] == "worse"] == lost


SCORE: dict[str, object] = {
    "storeroom": "",
    "kit": "K-1",
    "method": "SBA",
    "horizon_days": 365.0,
    "target": 0.9,
    "forecasts": 8,
    "actual_mean": 1 / 3,
    "bias": -0.5,
    "cover_80": 0.8,
    "cover_90": 0.9,
    "crps": 0.25,
    "pinball": 0.1,
    "reached_share": 1.0,
    "difference": 0.125,
    "difference_error": 0.0625,
    "verdict": "worse",
}
DETAILS = {"origins": [], "kit_forecasts": 8, "pit_heights": [], "lost": [], "notes": []}


def stored(engines: Engines, run: int, summary: str, *, lost: Sequence[dict[str, object]] = ()) -> None:
    rows = [SCORE, {**SCORE, "method": "TSB", "verdict": "alike"}, {**SCORE, "kit": "K/2", "storeroom": "MAIN"}]
    with write_session(engines) as session:
        store_backtest(
            session,
            run,
            as_of=date(2026, 2, 1),
            computed_at=NOON,
            code_version="0.1.0",
            horizon_days=365,
            summary=summary,
            details={**DETAILS, "lost": list(lost)},
            scores=rows,
        )


def test_scores_are_a_list_like_any_other(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    first = finish_run(engines)
    stored(engines, first, "early")
    second = finish_run(engines)
    assert client.get("/v1/accuracy").json()["last_backtest"] == "early"
    assert client.get(f"/v1/runs/{second}").json()["last_backtest"]["age_days"] == 28
    stored(engines, second, "late")
    assert client.get("/v1/accuracy").json()["last_backtest"] == "late"
    assert client.get("/v1/accuracy", params={"run": first}).json()["last_backtest"] == "early"
    page = client.get("/v1/accuracy?limit=2&kit=k-1").json()
    assert [row["method"] for row in page["value"]] == ["SBA", "TSB"]
    assert "@odata.nextLink" not in page
    page = client.get("/v1/accuracy?limit=1").json()
    assert [row["method"] for row in client.get(page["@odata.nextLink"]).json()["value"]] == ["TSB"]
    answer = client.get("/v1/accuracy?storeroom=main&format=csv")
    assert answer.text == (
        "kit,storeroom,method,horizon_days,forecasts,actual_mean,bias,cover_80,cover_90,crps,target,pinball,reached_share,"
        "difference,difference_error,verdict\r\n"
        "K/2,MAIN,SBA,365.0,8,0.333333,-0.5,0.8,0.9,0.25,0.9,0.1,1.0,0.125,0.0625,worse\r\n"
    )


def test_an_answer_about_a_kit_says_what_was_better_for_it(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    lost = [SCORE, {**SCORE, "storeroom": "MAIN", "method": "present level"}]
    stored(sqlite_engines, finish_run(sqlite_engines), "fair", lost=lost)
    for path in ("demand", "reorder-points"):
        told = [sqlite_client.get(f"/v1/{path}{kit}").json()["last_backtest"] for kit in ("?kit=k-1", "?kit=K-3", "")]
        assert told == [
            "fair; for kit K-1 better than the forecast: SBA, present level in MAIN",
            *("fair", "fair"),
        ]


def test_without_a_back_test_the_list_says_what_to_do(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    run = finish_run(sqlite_engines)
    answer = sqlite_client.get("/v1/accuracy")
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/not-enough-data")
    assert answer.json()["detail"] == f"not enough data: no back-test was made up to run {run}; valve-kits backtest"


def test_a_record_that_is_too_short_is_no_back_test(sqlite_engines: Engines, finish_run: FinishRun) -> None:
    finish_run(sqlite_engines)
    bring_in(sqlite_engines, {**FILES, "areas.csv": ["code,records_begin_on,storeroom", "U100,2025-01-01,MAIN"]})
    with pytest.raises(InsufficientData, match="the record is too short to back-test: a year and 365 days are needed"):
        run_backtest(sqlite_engines, as_of=None)
    with read_session(sqlite_engines) as session:
        counts = [
            session.execute(select(func.count()).select_from(table)).scalar() for table in (Backtest, BacktestScore)
        ]
    assert counts == [0, 0]


def test_the_command_shows_where_it_lost_or_gives_json(
    sqlite_url: str, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    bring_in(sqlite_engines, FILES)
    done = valve_kits(sqlite_url, "backtest", "--as-of", "2025-01-15", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert "on the record up to 2025-01-15" in told["summary"]
    assert {row["kit"] for row in told["scores"]} == {"", "KP", "KT"}
