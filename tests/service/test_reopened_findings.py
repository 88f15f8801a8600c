"""Reopening a finding lifts what its closing made, and nothing that another decision made."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from service.settings import Settings
from tests.service.findings_plant import BOTH, INF, ONE, TAG_MERGED, bring_in, close, ends, listed, the
from tests.service.test_keys import bearer, key_of

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
WHY = {"reason": "the log book was of another unit"}


@pytest.fixture
def database_url(plant_url: str) -> str:
    """Begin every test here with the plant forecast once."""
    return plant_url


def reopen(client: Client, finding: Mapping[str, Any]) -> Any:
    return client.post(f"/v1/data-findings/{finding['id']}/reopen", json=WHY)


@pytest.mark.parametrize("decision", ["leave", "void", "merge"])
def test_a_reopened_finding_is_as_it_was_before(engines: Engines, client: Client, decision: str) -> None:
    before = the(client, "likely_duplicate")
    assert close(client, before, decision).status_code == 200
    assert ends(engines)["wet"] == (BOTH if decision == "leave" else ONE)
    answer = reopen(client, before)
    assert (answer.status_code, answer.json()) == (200, before)
    assert the(client, "likely_duplicate", open=True) == before
    assert ends(engines)["wet"] == BOTH
    entry = client.get("/v1/audit").json()["value"][0]
    assert (entry["action"], entry["holder"]) == ("reopen finding", "open access")
    told = {"decision": decision, "closed_by": "open access", "closed_for": "seen in the log book", **WHY}
    assert entry["subjects"] == [{"finding": before["id"], "kind": "likely_duplicate", **told}]


def test_a_finding_can_be_closed_otherwise_after_it_was_reopened(engines: Engines, client: Client) -> None:
    twice = the(client, "likely_duplicate")
    assert [close(client, twice, "void").status_code, reopen(client, twice).status_code] == [200, 200]
    assert close(client, twice, "leave").json()["decision"] == "leave"
    assert ends(engines)["wet"] == BOTH


def test_what_another_decision_made_stays(engines: Engines, client: Client) -> None:
    """The event was left by closing its finding and voided by itself; a tag was merged beside it."""
    twice, alike = the(client, "likely_duplicate"), the(client, "tag_looks_like_another")
    assert close(client, twice, "leave").status_code == 200
    assert client.post("/v1/events/B/FV-101/void", json=WHY).status_code == 200
    assert close(client, alike, "merge", tag="FV-102").status_code == 200
    read = ends(engines)
    assert reopen(client, twice).status_code == 200
    assert ends(engines) == read
    assert "no service class" not in read
    assert (366.0, 366.0) in read["wet"]
    assert (4.0, 4.0) not in read["wet"]


def test_a_merged_tag_is_a_valve_of_its_own_again(engines: Engines, client: Client) -> None:
    alike = the(client, "tag_looks_like_another")
    assert close(client, alike, "merge", tag="FV-101").status_code == 200
    assert ends(engines) == {"wet": TAG_MERGED}
    assert reopen(client, alike).status_code == 200
    assert ends(engines) == {"wet": BOTH, "no service class": [(1155.0, INF)]}


def test_a_placed_row_waits_again(engines: Engines, client: Client) -> None:
    before, count = client.get("/v1/export.zip").content, len(client.get("/v1/events").json()["value"])
    placed, voided = listed(client, kind="event_without_tag")
    assert close(client, placed, "merge", tag="fv-101").status_code == 200
    assert close(client, voided, "void").status_code == 200
    assert len(client.get("/v1/events").json()["value"]) == count + 1
    assert [reopen(client, finding).status_code for finding in (placed, voided)] == [200, 200]
    assert client.get("/v1/export.zip").content == before


def test_an_event_changed_or_decided_on_since_it_was_placed_is_not_taken_away(engines: Engines, client: Client) -> None:
    placed, _ = listed(client, kind="event_without_tag")
    close(client, placed, "merge", tag="FV-101")
    path = "/v1/events/2024-05-01:rebuild:1/FV-101"
    assert client.post(f"{path}/void", json=WHY).status_code == 200
    refused = reopen(client, placed)
    assert (refused.status_code, "voided or merged since" in refused.json()["detail"]) == (409, True)
    bring_in(engines, events="tag,done_on,action,cost\nFV-101,2024-05-01,rebuild,99\n")
    refused = reopen(client, placed)
    assert (refused.status_code, "changed since" in refused.json()["detail"]) == (409, True)
    assert client.get(path).json()["cost"] == "99"
    assert [one["id"] for one in listed(client, kind="event_without_tag", open=False)] == [placed["id"]]
    assert client.delete(path).status_code == 204
    assert reopen(client, placed).status_code == 200


def test_only_a_planner_reopens_and_only_what_is_closed(
    engines: Engines, client: Client, plant_url: str, connect: Connect
) -> None:
    twice = the(client, "likely_duplicate")
    nobody_closed_it = reopen(client, twice)
    assert (nobody_closed_it.status_code, "it is open" in nobody_closed_it.json()["detail"]) == (409, True)
    assert reopen(client, {"id": 2**31 - 1}).status_code == 404
    path = f"/v1/data-findings/{twice['id']}/reopen"
    assert client.post(path, json={"reason": ""}).status_code == 400
    close(client, twice, "leave")
    keys = {role: key_of(engines, role) for role in ("reader", "bench", "storeroom", "planner")}
    with connect(Settings(database_url=plant_url)) as other:
        answers = {role: other.post(path, json=WHY, headers=bearer(key)).status_code for role, key in keys.items()}
        assert other.post(path, json=WHY).status_code == 401
    assert answers == {"reader": 403, "bench": 403, "storeroom": 403, "planner": 200}
