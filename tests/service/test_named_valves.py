"""Valves that nothing but events name: made by naming, listed, forecast as they are, gone once their tag is merged."""

import io
import json
from collections.abc import Callable
from typing import Any
from zipfile import ZipFile

import pytest
from litestar.testing import TestClient
from openpyxl import Workbook

from models.engine import Engines
from models.queries import records
from service.db import read_session
from tests.service.findings_plant import bring_in, close, listed, run, the

Client = TestClient[Any]
ROWS = (("tag", "done_on", "action"), ("FV-9", "2020-05-01", "rebuild"), ("fv-9", "2021-05-01", "rebuild"))
TEXT = "\n".join(",".join(row) for row in ROWS)


@pytest.fixture
def database_url(plant_url: str) -> str:
    """Give the plant of the findings, forecast once, whose valve fv 0101 only an event names."""
    return plant_url


def csv(client: Client) -> Any:
    return client.post("/v1/imports/events", content=TEXT, headers={"Content-Type": "text/csv"})


def workbook(client: Client) -> Any:
    book, stream = Workbook(), io.BytesIO()
    for row in ROWS:
        book.worksheets[0].append(row)
    book.save(stream)
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
    return client.post("/v1/imports/events", content=stream.getvalue(), headers={"Content-Type": kind})


def archive(client: Client) -> Any:
    """With an issue for the valve that only the events beside it name."""
    stream = io.BytesIO()
    with ZipFile(stream, "w") as packed:
        packed.writestr("events.csv", TEXT)
        packed.writestr("issues.csv", "ref,kit,storeroom,issued_on,qty,tag\nI-1,K,MAIN,2020-05-01,1,Fv-9\n")
    return client.post("/v1/imports", content=stream.getvalue(), headers={"Content-Type": "application/zip"})


@pytest.mark.parametrize("send", [csv, workbook, archive])
def test_two_spellings_of_a_new_tag_are_one_valve(sqlite_client: Client, send: Callable[[Client], Any]) -> None:
    answer = send(sqlite_client)
    assert answer.status_code == 200, answer.text
    assert answer.json()["named_but_not_described"]["valves"] == ["FV-9"]
    (valve,) = sqlite_client.get("/v1/valves").json()["value"]
    assert {name: value for name, value in valve.items() if value} == {"tag": "FV-9"}
    assert len(sqlite_client.get("/v1/valves/fv-9/events").json()["value"]) == 2
    again = send(sqlite_client).json()
    assert "valves" not in again["named_but_not_described"]
    assert {file["created"] + file["changed"] for file in again["files"]} == {0}


def test_an_event_sent_alone_makes_its_valve_too(sqlite_client: Client) -> None:
    body = {"tag": "FV-9", "done_on": "2020-05-01", "action": "rebuild"}
    made = sqlite_client.post("/v1/events", content=json.dumps(body), headers={"Content-Type": "application/json"})
    assert made.status_code == 201, made.text
    assert sqlite_client.get("/v1/valves/FV-9").json()["design"] is None


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("issues", "ref,kit,storeroom,issued_on,qty,tag\nI-1,K,MAIN,2020-05-01,1,FV-9\n"),
        ("reservations", "ref,kit,storeroom,qty,needed_on,tag\nR-1,K,MAIN,1,2020-05-01,FV-9\n"),
        ("scope_lines", "turnaround,tag,decision\nT,FV-9,must_open\n"),
    ],
)
def test_nothing_but_an_event_makes_a_valve(sqlite_client: Client, file: str, text: str) -> None:
    path, header = f"/v1/imports/{file}", {"Content-Type": "text/csv"}
    answer = sqlite_client.post(path, content=text, headers=header)
    assert (answer.status_code, [error["value"] for error in answer.json()["errors"]]) == (400, ["FV-9"])
    assert csv(sqlite_client).status_code == 200
    assert sqlite_client.post(path, content=text, headers=header).status_code == 200


def test_a_named_valve_is_listed_until_something_is_said_of_it(engines: Engines) -> None:
    report = bring_in(engines, valves="tag\nBARE\n", events="tag,done_on,action\nXV-7,2021-01-01,inspect\n")
    assert report.named_but_not_described == {"valves": ["XV-7"]}
    for tag, said in (("BARE", "last_renewed_on"), ("XV-7", "installed_on")):
        with read_session(engines) as session:
            assert ("valves", tag) in records.undescribed(session)
        bring_in(engines, valves=f"tag,{said}\n{tag},2021\n")
        with read_session(engines) as session:
            assert ("valves", tag) not in records.undescribed(session)


def test_it_counts_as_a_valve_of_no_design_and_says_so(client: Client) -> None:
    told = {finding["record_key"]: finding for finding in listed(client, kind="named_not_described")}["fv 0101"]
    assert told["file"] == "valves"
    assert told["treatment"] == "a valve of no design, no service class and no area, installed on a day unknown"
    assert "in rebuilds" in told["effect"]
    (model,) = [
        model
        for model in client.get("/v1/failure-models").json()["value"]
        if model["service_class"] == "no service class"
    ]
    # the records of its area begin with its event: one life, from there to the cut-off
    assert (model["maintainable_item"], model["lives"], model["failures"]) == ("whole_valve", 1, 0)
    (need,) = client.get("/v1/valves/fv%200101/kit-needs").json()["value"]
    assert (need["kit"], need["storeroom"]) == ("rebuild no design", "unassigned")
    assert need["mean_365"] > 0


def test_a_merged_valve_is_in_no_list_of_a_run(engines: Engines, client: Client) -> None:
    assert close(client, the(client, "tag_looks_like_another"), "merge", tag="FV-101").status_code == 200
    run(engines)
    assert client.get("/v1/valves/fv%200101/kit-needs").status_code == 404
    assert client.get("/v1/demand?kit=rebuild%20no%20design").json()["value"] == []
    classes = {model["service_class"] for model in client.get("/v1/failure-models").json()["value"]}
    assert classes == {"wet"}
    told = {(finding["kind"], finding["record_key"]) for finding in listed(client)}
    assert ("named_not_described", "fv 0101") not in told
    assert "tag_looks_like_another" not in {kind for kind, _ in told}
    assert client.get("/v1/valves/fv%200101").status_code == 200
