"""What those who run the service see: metrics, probes, and a forecast that has grown stale."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from prometheus_client.parser import text_string_to_metric_families

from models.engine import Engines
from models.queries import run_log
from models.queries.audit import Actor
from models.queries.run_progress import enter_stage
from service.actors import acting
from service.app import create_app
from service.db import write_session
from service.settings import STALE_AFTER, Settings, now
from service.use_cases import check_ready
from service.use_cases.manage_keys import create_key

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
STALE = "stale forecast: no run has finished since "


def metrics(client: Client) -> dict[tuple[str, ...], float]:
    """Read every sample by its name and the values of its labels."""
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def age_run(engines: Engines, run_id: int, *, by: timedelta) -> None:
    with write_session(engines) as session:
        run_log.get_run(session, run_id).finished_at = now() - by


def test_requests_are_counted_by_route_and_status(sqlite_client: Client) -> None:
    for path in ("/v1/valves", "/v1/valves?limit=1", "/v1/valves/FV-1", "/v1/valves/FV-2", "/nothing/here"):
        sqlite_client.get(path)
    found = metrics(sqlite_client)
    assert found["valve_kits_requests_total", "GET", "/v1/valves", "200"] == 2
    assert found["valve_kits_requests_total", "GET", "/v1/valves/{tag}", "404"] == 2
    assert found["valve_kits_request_seconds_count", "GET", "/v1/valves"] == 2
    assert not any("FV-1" in "".join(name) or "here" in "".join(name) for name in found)


def test_the_forecast_is_watched(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    assert ("valve_kits_last_good_run_age_seconds",) not in metrics(client)
    run_id = finish_run(engines)
    with write_session(engines) as session:
        begun = now()
        for stage, seconds in (("reading", 0.0), ("storing", 1.5), (None, 4.0)):
            enter_stage(session, run_id, stage, at=begun + timedelta(seconds=seconds))
    age_run(engines, run_id, by=timedelta(hours=1))
    found = metrics(client)
    assert 3600 <= found[("valve_kits_last_good_run_age_seconds",)] < 3700
    assert found["valve_kits_run_stage_seconds", "reading"] == 1.5
    assert found["valve_kits_run_stage_seconds", "storing"] == 2.5
    assert found["valve_kits_findings", "scope assumed"] == 1
    assert found["valve_kits_runs", "finished"] == 1
    assert found[("valve_kits_forecast_stale",)] == 0


def test_whatever_is_measured_is_described(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    sqlite_client.get("/v1/valves")
    families = {family.name for family in text_string_to_metric_families(sqlite_client.get("/metrics").text)}
    measured = {name for name in families if not name.endswith("_created")}
    assert measured == {
        "valve_kits_requests",
        "valve_kits_request_seconds",
        "valve_kits_last_good_run_age_seconds",
        "valve_kits_forecast_stale",
        "valve_kits_run_stage_seconds",
        "valve_kits_findings",
        "valve_kits_runs",
        "valve_kits_scheduled_jobs",
    }
    told = (Path(__file__).parents[2] / "README.md").read_text()
    assert {name for name in measured if f"`{name}" not in told} == set()


def test_metrics_need_a_key(sqlite_url: str, sqlite_engines: Engines) -> None:
    acting.set(Actor(holder="tests", role="tests"))
    key = create_key(sqlite_engines, role="reader", holder="monitoring", expires_at=None).key
    with TestClient(create_app(Settings(database_url=sqlite_url))) as client:
        assert client.get("/metrics").status_code == 401
        assert client.get("/metrics", headers={"Authorization": f"Bearer {key}"}).status_code == 200


@pytest.mark.parametrize("path", ["order-list", "demand", "valves", "runs", "runs/latest", "reorder-points/MAIN/K-1"])
def test_a_stale_forecast_says_so_on_every_answer(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, path: str
) -> None:
    run_id = finish_run(sqlite_engines)
    for by, stale in ((STALE_AFTER - timedelta(minutes=1), False), (STALE_AFTER + timedelta(minutes=1), True)):
        age_run(sqlite_engines, run_id, by=by)
        said = sqlite_client.get(f"/v1/{path}").json().get("notice", "")
        assert said.startswith(STALE) == stale
        assert sqlite_client.get("/health/ready").json()["stale"] == stale


def test_every_list_says_that_the_forecast_is_stale(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    """Of the record, too, for who looks at the stock decides by the forecast; not of keys and the trail."""
    age_run(sqlite_engines, finish_run(sqlite_engines), by=STALE_AFTER + timedelta(minutes=1))
    paths = sqlite_client.get("/schema/openapi.json").json()["paths"]
    told: dict[str, bool] = {}
    for path in (path for path, methods in paths.items() if "get" in methods and "{" not in path):
        answer = sqlite_client.get(path)
        if (
            answer.status_code == 200
            and answer.headers["content-type"] == "application/json"
            and "value" in answer.json()
        ):
            told[path] = answer.json().get("notice", "").startswith(STALE)
    assert {path for path, is_told in told.items() if not is_told} == {"/v1/keys", "/v1/audit"}
    assert len(told) > 35


def test_what_a_caller_has_already_grows_stale_without_a_change(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    finish_run(sqlite_engines)
    tag = sqlite_client.get("/v1/order-list").headers["etag"]
    assert sqlite_client.get("/v1/order-list", headers={"If-None-Match": tag}).status_code == 304
    monkeypatch.setattr("service.use_cases.choose_run.STALE_AFTER", timedelta(0))
    answer = sqlite_client.get("/v1/order-list", headers={"If-None-Match": tag})
    assert (answer.status_code, answer.json()["notice"].startswith(STALE)) == (200, True)
    assert sqlite_client.get("/v1/order-list?format=csv").text.splitlines()[0].endswith(",notice")


def test_a_server_that_could_store_nothing_is_not_ready(
    client: Client, engines: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(check_ready, "obstacle_to_writing", lambda _: "the disk of the database is full")
    answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()["detail"]) == (503, "the disk of the database is full")
    assert client.get("/health/live").status_code == 200
