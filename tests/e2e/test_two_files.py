"""A plant starts with two files: valves and events in over HTTP, a run, an order list out."""

import time
from collections.abc import Iterator
from typing import Any

import pytest
from httpx import Response
from litestar.testing import TestClient

from service.app import create_app
from service.settings import Settings

Client = TestClient[Any]

VALVES = """tag,design,service_class,area,installed_on
FV-101A/B,G2,wet CO2,north,2015-03-01
FV-102,G2,wet CO2,north,2015-03-01
FV-103,G3,wet CO2,north,
"""
EVENTS = """tag;done_on;action
FV-101A/B;2017-05-02;rebuild
FV-101A/B;2019-11-20;rebuild
FV-101A/B;2022-01-15;exchange
FV-102;2018-02-01;rebuild
FV-102;2021-07-09;rebuild
FV-103;2016-06-30;rebuild
FV-103;2020-10-10;rebuild
FV-103;2024-02-29;rebuild
"""


@pytest.fixture
def client(database_url: str) -> Iterator[Client]:
    """An open server on an empty database of each kind."""
    settings = Settings(database_url=database_url, access="open")
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000") as client:
        yield client


def _post_csv(client: Client, file: str, text: str) -> Response:
    return client.post(f"/v1/imports/{file}", content=text.encode(), headers={"Content-Type": "text/csv"})


def _finished_run(client: Client, as_of: str) -> dict[str, Any]:
    answer = client.post("/v1/runs", json={"as_of": as_of})
    assert answer.status_code == 202, answer.text
    for _ in range(600):
        run = client.get(answer.headers["Location"]).json()
        if run["status"] not in {"queued", "running"}:
            return dict(run)
        time.sleep(0.1)
    pytest.fail("the run did not end within a minute")


def test_two_files_give_an_order_list(client: Client) -> None:
    valves = _post_csv(client, "valves", VALVES)
    assert valves.status_code == 200, valves.text
    named = valves.json()["named_but_not_described"]
    assert named == {"areas": ["north"], "designs": ["G2", "G3"], "service_classes": ["wet CO2"]}
    assert _post_csv(client, "events", EVENTS).status_code == 200

    run = _finished_run(client, "2026-01-31")
    assert (run["status"], run["method"]) == ("finished", "from valves, over 12 sets of lifetimes"), run

    lines = client.get("/v1/order-list").json()["value"]
    assert {line["kit"] for line in lines} == {"rebuild G2", "rebuild G3"}
    # nothing is on any shelf, so all is late, by no more than an order takes; the most late comes first
    days = [line["order_by"] for line in lines]
    assert days == sorted(days)
    assert all("2025-12-02" <= day <= "2026-01-31" for day in days)
    assert {(line["action"], line["order_quantity"] > 0) for line in lines} == {("order", True)}
    why = client.get("/v1/reorder-points/unassigned/rebuild%20G2/why").json()
    assert {valve["tag"] for valve in why["valves"]} == {"FV-101A/B", "FV-102"}
    kinds = {finding["kind"] for finding in client.get("/v1/data-findings").json()["value"]}
    assert {"named_not_described", "records_begin_assumed", "reason_assumed", "unknown_start"} <= kinds


def test_the_same_two_files_again_change_nothing(client: Client) -> None:
    _post_csv(client, "valves", VALVES)
    _post_csv(client, "events", EVENTS)
    again = [_post_csv(client, *file).json()["files"][0] for file in (("valves", VALVES), ("events", EVENTS))]
    assert again == [
        {"file": "valves", "created": 0, "changed": 0, "unchanged": 3},
        {"file": "events", "created": 0, "changed": 0, "unchanged": 8},
    ]


def test_the_same_record_gives_the_same_digest_and_forecast(client: Client) -> None:
    _post_csv(client, "valves", VALVES)
    _post_csv(client, "events", EVENTS)
    runs = [_finished_run(client, "2026-01-31") for _ in range(2)]
    assert runs[0]["input_digest"] == runs[1]["input_digest"]
    first, second = (client.get(f"/v1/demand?run={run['id']}&format=csv").text for run in runs)
    assert first == second
    assert first.startswith("kit,starts_on,ends_on,mean,p10,p50,p80,p90,p95,")
