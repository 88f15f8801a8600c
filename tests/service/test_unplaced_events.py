"""Rows of events without a tag: held aside as they came, placed by closing their finding, refused where impossible."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.queries import voids
from service.db import read_session
from service.settings import Settings
from tests.service.findings_plant import EVENTS, bring_in, close, listed

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]


@pytest.fixture
def database_url(plant_url: str) -> str:
    """Begin every test here with the plant forecast once."""
    return plant_url


def test_a_row_without_a_tag_waits_until_somebody_places_it(engines: Engines, client: Client) -> None:
    before = client.get("/v1/export.zip").content
    bring_in(engines, events=EVENTS)
    assert client.get("/v1/export.zip").content == before
    first, second = listed(client, kind="event_without_tag")
    assert first["details"]["candidates"][0] == ["FV-101", 0.99]
    assert (first["file"], "repacked fv101" in first["detail"]) == ("events", True)
    assert close(client, first, "merge", tag="NONE").status_code == 409
    placed = close(client, first, "merge", tag="fv-101")
    assert placed.status_code == 200, placed.text
    assert close(client, second, "void").status_code == 200
    bring_in(engines, events=EVENTS)
    *_, event = client.get("/v1/valves/FV-101/events").json()["value"]
    assert (event["done_on"], event["cost"], event["note"]) == ("2024-05-01", "12.5", "repacked fv101 again")
    with read_session(engines) as session:
        assert voids.held_aside(session) == []


def test_rows_without_a_tag_go_out_and_come_in_again_the_same(
    client: Client, sqlite_url: str, connect: Connect
) -> None:
    archive = client.get("/v1/export.zip").content
    with connect(Settings(database_url=sqlite_url, access="open")) as other:
        assert other.post("/v1/imports", content=archive, headers={"Content-Type": "application/zip"}).is_success
        assert other.get("/v1/export.zip").content == archive


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("tag,done_on,action,note\n,2024-05-01,rebuild,\n", [(2, "tag", "")]),
        ("tag,done_on,action,note\n,2999-05-01,rebuild,fv101\n", [(2, "done_on", "2999-05-01")]),
        ("tag,found_on,done_on,action,note\n,2024-05-02,2024-05-01,rebuild,fv101\n", [(2, "found_on", "2024-05-02")]),
        (
            "tag,last_ok_on,done_on,action,note\nFV-1,,2024-05-01,rebuild,\n,2024-05-02,2024-05-01,rebuild,fv101\n",
            [(3, "last_ok_on", "2024-05-02")],
        ),
        ("tag,note\n,fv101\n", [(2, "done_on", ""), (2, "action", "")]),
    ],
    ids=["no note", "to come", "found after it was done", "ok after it was found", "no day and no action"],
)
def test_what_could_never_be_placed_is_refused(
    sqlite_client: Client, text: str, places: list[tuple[int, str, str]]
) -> None:
    answer = sqlite_client.post("/v1/imports/events", content=text, headers={"Content-Type": "text/csv"})
    assert answer.status_code == 400
    assert [(error["line"], error["column"], error["value"]) for error in answer.json()["errors"]] == places
    assert sqlite_client.get("/v1/events").json()["value"] == []
