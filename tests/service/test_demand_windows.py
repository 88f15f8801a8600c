"""Demand in any days: stored or computed on request, by part of the plant, and the valves it is made of."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.base import NotFound
from models.engine import Engines, open_engines
from models.queries import run_inputs
from models.queries.results import DemandFilter, Whose
from service.db import write_session
from service.schemas.windows import WindowQuestion
from service.settings import Settings
from service.use_cases.answer_window import answer_window
from service.use_cases.ask_window import explain_demand, list_demand_window
from service.use_cases.ask_window import whose as named
from service.use_cases.list_results import list_kit_needs
from tests.service.test_run_forecast import AS_OF, FILES, bring_in, computed, results

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
STOPS = ["code,areas,starts_on,ends_on", "TA-26,U200,2026-06-01,2026-06-20", "TA-27,U100|U200,2027-11-01,"]
OLDER = [*FILES["policies.csv"][:-1], "dry,trim,opportunistic,1300"]
RECORD = {**FILES, "turnarounds.csv": STOPS, "policies.csv": OLDER}
TWO_FILES = {
    "valves.csv": [
        "tag,design,service_class,area,installed_on",
        *(f"FV-{n},GLOBE,wet,U1,2015-0{n}-01" for n in (1, 2, 3)),
    ],
    "events.csv": [
        "tag,done_on,action",
        *(f"FV-{n},{2016 + 2 * n + m}-05-0{n},rebuild" for n in (1, 2, 3) for m in (0, 3)),
    ],
}
FIRST, LAST = date(2026, 5, 3), date(2026, 8, 19)


@pytest.fixture(scope="module")
def computed_file(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a database with a finished run of the small plant with two turnarounds."""
    path = tmp_path_factory.mktemp("windows") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, RECORD)
    computed(engines)
    engines.reader.dispose()
    return path


@pytest.fixture
def plant(computed_file: Path, tmp_path: Path) -> Iterator[Engines]:
    """Open a copy of that database."""
    shutil.copyfile(computed_file, tmp_path / "copy.sqlite")
    engines = open_engines(f"sqlite:///{tmp_path / 'copy.sqlite'}")
    yield engines
    engines.reader.dispose()


def question(kit: str, starts_on: date = FIRST, ends_on: date = LAST, **part: str) -> WindowQuestion:
    return WindowQuestion(run=1, kit=kit, starts_on=starts_on, ends_on=ends_on, **part)


def demand(engines: Engines, **wanted: object) -> list[dict[str, Any]]:
    rows = results(engines, 1)["demand"]
    return [row for row in rows if all(row[name] == value for name, value in wanted.items())]


def test_what_is_computed_on_request_is_what_the_run_stored(plant: Engines) -> None:
    """A year of the plant, of an area, a storeroom and a service class, and a turnaround.

    Time is cut at the edges of every window asked for, so the last of six digits may differ.
    """
    year = {"bucket": "year", "starts_on": date(2027, 1, 1)}
    cases = [
        *demand(plant, kit="KP", area="", storeroom="", service_class="", **year),
        *demand(plant, kit="KT-NEW", area="U200", **year),
        *demand(plant, kit="KP", storeroom="MAIN", **year),
        *demand(plant, kit="KP", service_class="dry", **year),
        *demand(plant, kit="KT-NEW", area="U200", bucket="in_turnaround", starts_on=date(2027, 11, 1)),
    ]
    assert len(cases) == 5
    for row in cases:
        part = {name: row[name].lower() for name in ("area", "storeroom", "service_class")}
        answer = answer_window(plant, question(row["kit"].lower(), row["starts_on"], row["ends_on"], **part))
        assert answer.demand is not None
        for name in ("mean", "unplanned_mean", "planned_mean", "turnaround_mean"):
            assert answer.demand[name] == pytest.approx(row[name], rel=5e-5), name
        same = ("kit", "p10", "p50", "p80", "p90", "p95", "status", "reason")
        assert {name: answer.demand[name] for name in same} == {name: row[name] for name in same}
        assert answer.demand["probabilities"] == pytest.approx(row["probabilities"], abs=2e-5)


def test_the_valves_of_a_window_sum_to_its_mean_and_come_in_order(plant: Engines) -> None:
    for kit in ("KP", "KT-NEW", "rebuild ANGLE-1"):
        answer = answer_window(plant, question(kit))
        assert answer.demand is not None
        expected = [part.expected for part in answer.valves]
        assert sum(expected) == pytest.approx(answer.demand["mean"], rel=1e-5)
        assert expected == sorted(expected, reverse=True)
        assert all(part.chance <= part.expected + 1e-9 for part in answer.valves)


def test_storerooms_areas_and_classes_each_make_up_the_plant(plant: Engines) -> None:
    (whole,) = demand(
        plant, kit="KP", area="", storeroom="", service_class="", bucket="year", ends_on=date(2027, 12, 31)
    )
    for word in ("area", "storeroom", "service_class"):
        parts = [row for row in demand(plant, kit="KP", bucket="year", ends_on=date(2027, 12, 31)) if row[word]]
        assert len(parts) > 1
        assert sum(row["mean"] for row in parts) == pytest.approx(whole["mean"], rel=1e-5)
        # quantiles are not sums of quantiles
        assert sum(row["p95"] for row in parts) > whole["p95"]


def test_protection_intervals_are_those_of_reorder_points(plant: Engines) -> None:
    rows = demand(plant, bucket="protection_interval")
    stock = {
        (row["storeroom"], row["kit"]): row
        for row in results(plant, 1)["reorder_points"]
        if row["status"] == "computed"
    }
    assert {(row["storeroom"], row["kit"]) for row in rows} == stock.keys()
    for row in rows:
        point = stock[row["storeroom"], row["kit"]]
        days = point["protection_interval_days"]
        assert (row["ends_on"] - AS_OF).days == days == row["details"]["protection_interval_days"]
        assert (row["mean"], row["turnaround_mean"]) == (point["details"]["demand_mean"], 0.0)


def test_each_area_has_the_days_until_and_in_its_turnarounds(plant: Engines) -> None:
    found = {
        (row["area"], row["bucket"], str(row["starts_on"]), str(row["ends_on"]), *row["details"]["turnarounds"])
        for row in demand(plant)
        if row["bucket"].endswith("turnaround")
    }
    assert found == {
        ("U200", "until_turnaround", "2026-03-02", "2026-05-31", "TA-26"),
        ("U200", "in_turnaround", "2026-06-01", "2026-06-20", "TA-26"),
        ("U200", "until_turnaround", "2026-03-02", "2027-10-31", "TA-27"),
        ("U200", "in_turnaround", "2027-11-01", "2027-11-01", "TA-27"),
        ("U100", "until_turnaround", "2026-03-02", "2027-10-31", "TA-27"),
        ("U100", "in_turnaround", "2027-11-01", "2027-11-01", "TA-27"),
    }
    until = demand(plant, kit="KT-NEW", area="U200", bucket="until_turnaround")
    assert [row["turnaround_mean"] for row in until if row["ends_on"] == date(2026, 5, 31)] == [0.0]
    stopped = demand(plant, kit="KT-NEW", area="U200", bucket="in_turnaround", ends_on=date(2027, 11, 1))
    assert stopped[0]["turnaround_mean"] > 0.0


def test_each_valve_says_how_likely_it_needs_a_kit_before_the_next_turnaround_of_its_area(plant: Engines) -> None:
    rows = {(row["tag"], row["kit"]): row for row in results(plant, 1)["needs"]}
    days = {tag: rows[tag, "KP"]["details"].get("next_turnaround_on") for tag in ("FV-1", "FV-4", "FV-7")}
    assert days == {"FV-1": "2027-11-01", "FV-4": "2026-06-01", "FV-7": None}
    stopped = rows["FV-4", "KP"]  # in 91 days
    assert stopped["p_90"] < stopped["details"]["p_before_turnaround"] < stopped["p_365"]
    listed = list(list_kit_needs(plant, run_id=1, tag="fv-4").rows())
    assert {(row.kit, row.p_before_turnaround, str(row.next_turnaround_on)) for row in listed} == {
        (kit, rows["FV-4", kit]["details"]["p_before_turnaround"], "2026-06-01") for kit in ("KP", "KT-NEW")
    }


def test_an_answer_is_of_the_record_as_the_run_read_it(plant: Engines) -> None:
    before = answer_window(plant, question("KP"))
    bring_in(plant, {"events.csv": ["tag,done_on,action,renewed", "FV-1,2026-02-27,rebuild,packing"]})
    assert answer_window(plant, question("KP")) == before


def test_what_an_old_run_read_is_dropped_and_its_stored_demand_stays(
    plant: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_inputs, "RUNS_KEPT", 0)
    with write_session(plant) as session:
        run_inputs.drop_old_inputs(session)
    stored = DemandFilter(
        whose=Whose(), bucket="window", kit="kp", starts_on=date(2027, 1, 1), ends_on=date(2027, 12, 31)
    )
    assert len(list(list_demand_window(plant, nobody, run_id=1, wanted=stored).rows())) == 1
    with pytest.raises(NotFound, match="what run 1 read is no longer kept"):
        explain_demand(plant, nobody, run_id=1, kit="KP", whose=Whose(), starts_on=None, ends_on=None)


def nobody(_: WindowQuestion) -> Any:
    """Answer nothing: what is stored, or refused, needs no answer."""
    raise AssertionError


def test_one_part_of_the_plant_at_a_time() -> None:
    assert named(None, "MAIN", None) == Whose(storeroom="MAIN")
    with pytest.raises(ValueError, match="one of area, storeroom and service_class, got area, storeroom"):
        named("U100", "MAIN", None)


REFUSED = {
    "kit=KP&starts_on=2026-03-01&ends_on=2026-04-01": "expected a day after the run's data cut-off, 2026-03-01",
    "kit=KP&starts_on=2026-03-02&ends_on=2028-04-01": "expected a day up to the end of the run's 24 months, 2028-03-31",
    "kit=KP&starts_on=2026-04-02&ends_on=2026-04-01": "ends_on, 2026-04-01, lies before starts_on, 2026-04-02",
    "bucket=window&starts_on=2026-04-02&ends_on=2026-04-09": "give kit, starts_on and ends_on",
    "area=U100&storeroom=MAIN": "one of area, storeroom and service_class",
}


def test_a_window_is_computed_by_a_process_of_its_own(engines: Engines, database_url: str, connect: Connect) -> None:
    bring_in(engines, TWO_FILES)
    computed(engines)
    with connect(Settings(database_url=database_url, access="open")) as client:
        asked = f"kit=REBUILD%20globe&starts_on={FIRST}&ends_on={LAST}&distribution=true"
        body = client.get(f"/v1/demand?{asked}").json()
    (row,) = body["value"]
    assert (row["kit"], row["bucket"], body["run"]) == ("rebuild GLOBE", "window", 1)
    assert (row["starts_on"], row["ends_on"], row["status"]) == (str(FIRST), str(LAST), "forecast")
    assert sum(row["probabilities"]) == pytest.approx(1.0, abs=1e-5)
    assert row["mean"] == pytest.approx(sum(n * p for n, p in enumerate(row["probabilities"])), rel=1e-4)


def test_a_demand_is_explained_by_valves_models_and_a_sentence(
    plant: Engines, tmp_path: Path, connect: Connect
) -> None:
    with connect(Settings(database_url=f"sqlite:///{tmp_path / 'copy.sqlite'}", access="open")) as client:
        why = client.get(f"/v1/demand/kp/why?starts_on={FIRST}&ends_on={LAST}&storeroom=main").json()
    assert why["mean"] == pytest.approx(sum(valve["expected"] for valve in why["valves"]), rel=1e-5)
    assert {valve["tag"] for valve in why["valves"]} == {"FV-1", "FV-2", "FV-3"}
    first = why["valves"][0]
    assert why["sentence"].startswith(
        f"From {FIRST} to {LAST}, {why['mean']:.3g} of kit KP are expected to be needed in "
    )
    assert f"Most likely {first['tag']}: its packing, {first['age_days']:.0f} days old, takes" in why["sentence"]
    models = [(model["service_class"], model["maintainable_item"]) for model in why["models"]]
    assert models == [("wet", "packing")]
    assert "Prove isolation" in why["cautions"][0]


def test_days_that_a_run_does_not_forecast_are_refused(sqlite_client: Client, sqlite_engines: Engines) -> None:
    bring_in(sqlite_engines, TWO_FILES)
    computed(sqlite_engines)
    refused = {query: sqlite_client.get(f"/v1/demand?{query}") for query in REFUSED}
    assert {query: answer.status_code for query, answer in refused.items()} == dict.fromkeys(REFUSED, 400)
    assert [query for query, answer in refused.items() if REFUSED[query] not in answer.json()["detail"]] == []
    unknown = sqlite_client.get(f"/v1/demand/K-9/why?starts_on={FIRST}&ends_on={LAST}")
    assert (unknown.status_code, unknown.json()["detail"]) == (404, "run 1 forecasts no demand for kit K-9 there")
