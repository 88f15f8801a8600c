"""Records of every file over HTTP: created, read, changed, deleted; nobody's change is lost in silence."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient

from models.access import ROLES
from models.engine import Engines
from models.queries.files import FILES
from service.etags import MATCH_NEEDED
from service.roles import STORES
from service.settings import Settings
from service.use_cases import manage_keys
from tests.service.valid_records import TAGS, Body

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
ANY_STATE = {"If-Match": "*"}


def with_valves(client: Client) -> Client:
    for tag in TAGS:
        assert client.post("/v1/valves", json={"tag": tag}).status_code == 201
    return client


def noun(file: str) -> str:
    return file.replace("_", "-")


@pytest.fixture
def valve(client: Client) -> tuple[Client, str, str]:
    """Connect to a server with one valve: its address, and the tag of its state."""
    made = client.post("/v1/valves", json={"tag": "FV-1/A", "area": "U100", "last_renewed_on": {"trim": "2016-05"}})
    return client, made.headers["location"], made.headers["etag"]


def test_a_change_needs_the_state_it_was_meant_for(valve: tuple[Client, str, str]) -> None:
    client, address, tag = valve
    missing = client.patch(address, json={"area": "U200"})
    assert (missing.status_code, missing.json()["type"]) == (428, "/problems/match-required")
    assert client.delete(address).status_code == 428
    changed = client.patch(address, json={"area": "U200"}, headers={"If-Match": tag})
    assert changed.status_code == 200
    stale = client.patch(address, json={"area": "U300"}, headers={"If-Match": tag})
    assert (stale.status_code, stale.json()["type"]) == (412, "/problems/stale")
    assert client.delete(address, headers={"If-Match": tag}).status_code == 412
    both = f'"other", {changed.headers["etag"]}'
    assert client.delete(address, headers={"If-Match": both}).status_code == 204
    assert client.patch(address, json={}, headers=ANY_STATE).status_code == 404


def test_a_state_need_not_be_named_where_little_is_at_stake(client: Client) -> None:
    address = client.post("/v1/areas", json={"code": "U100"}).headers["location"]
    assert client.patch(address, json={"name": "Synthesis"}).status_code == 200
    assert client.patch(address, json={"name": "x"}, headers={"If-Match": '"other"'}).status_code == 412
    assert client.delete(address).status_code == 204
    assert {"valves", "kits", "policies", "designs", "stock_settings", "turnarounds"} == MATCH_NEEDED


def test_a_column_left_out_stays_and_null_clears_it(valve: tuple[Client, str, str]) -> None:
    client, address, tag = valve
    change: Body = {"area": None, "last_renewed_on": {}, "serial": "77"}
    changed = client.patch(address, json=change, headers={"If-Match": tag}).json()
    assert (changed["area"], changed["last_renewed_on"], changed["serial"]) == (None, {}, "77")
    again = client.patch(address, json={"consequence": "stops"}, headers=ANY_STATE).json()
    assert (again["serial"], again["consequence"]) == ("77", "stops")


def test_a_code_is_found_whatever_its_case(valve: tuple[Client, str, str]) -> None:
    client, address, _ = valve
    assert client.get(address.lower()).json()["tag"] == "FV-1/A"
    twice = client.post("/v1/valves", json={"tag": "fv-1/a"})
    assert (twice.status_code, twice.json()["detail"]) == (409, "valves has fv-1/a already")


def test_what_others_name_is_not_deleted(valve: tuple[Client, str, str]) -> None:
    client, address, _ = valve
    client.post("/v1/events", json={"ref": "WO-1", "tag": "FV-1/A", "done_on": "2020-01-02", "action": "rebuild"})
    kept = client.delete(address, headers=ANY_STATE)
    assert kept.status_code == 409
    assert kept.json()["detail"] == "FV-1/A is named by other rows: 1 of events"
    client.post("/v1/areas", json={"code": "u100"})
    assert client.delete("/v1/areas/U100").json()["detail"] == "u100 is named by other rows: 1 of valves"
    client.post("/v1/maintainable-items", json={"code": "trim"})
    assert "1 of valves" in client.delete("/v1/maintainable-items/trim").json()["detail"]
    assert client.delete("/v1/events/WO-1/FV-1%2FA").status_code == 204
    assert client.delete(address, headers=ANY_STATE).status_code == 204


def test_a_code_that_is_only_named_is_no_record_yet(valve: tuple[Client, str, str]) -> None:
    client, _, _ = valve
    assert client.get("/v1/areas/U100").status_code == 404
    assert client.get("/v1/areas").json() == {"value": []}
    assert client.post("/v1/areas", json={"code": "U100"}).status_code == 201
    assert client.get("/v1/areas").json()["value"][0]["code"] == "U100"


def test_an_event_without_ref_has_its_day_action_and_number_as_address(valve: tuple[Client, str, str]) -> None:
    client, _, _ = valve
    body = {"tag": "FV-1/A", "done_on": "2020-03", "action": "rebuild"}
    address = client.post("/v1/events", json=body).headers["location"]
    assert address == "/v1/events/2020-03%3Arebuild%3A1/FV-1%2FA"
    assert client.post("/v1/events", json=body).status_code == 409
    client.post("/v1/imports/events", content=TWICE, headers={"Content-Type": "text/csv"})
    second = address.replace("%3A1", "%3A2")
    assert client.patch(second, json={"note": "the second"}).json()["note"] == "the second"
    assert client.get(address).json()["note"] is None
    moved = client.patch(second, json={"done_on": "2021"})
    assert (moved.status_code, moved.json()["errors"][0]["pointer"]) == (400, "/done_on")
    events = client.get("/v1/valves/FV-1%2FA/events").json()["value"]
    assert [event["note"] for event in events] == [None, "the second"]
    assert client.get("/v1/valves/NO-1/events").status_code == 404


TWICE = "tag,done_on,action\nFV-1/A,2020-03,rebuild\nFV-1/A,2020-03,rebuild\n"

WRONG: list[tuple[str, dict[str, Any], str]] = [
    ("valves", {"tag": "V", "installed_on": "2020-02", "removed_on": "2019-01-01"}, "/removed_on"),
    ("valves", {"tag": "V", "serial": "a\0b"}, "/serial"),
    ("valves", {"tag": "V", "installed_on": "2020-13"}, "/installed_on"),
    ("valves", {"tag": "a|b"}, "/tag"),
    ("valves", {"tag": "V", "colour": "red"}, "/colour"),
    ("scope_lines", {"turnaround": "T", "tag": "NO-1", "decision": "must_open"}, "/tag"),
    ("events", {"tag": "FV-101A/B", "done_on": "2999-01-01", "action": "rebuild"}, "/done_on"),
    ("events", {"tag": "FV-101A/B", "done_on": "2020-01-01", "action": "rebuild", "renewed": ["a", "A"]}, "/renewed"),
    (
        "policies",
        {"service_class": "S", "maintainable_item": "T", "policy": "corrective", "interval_days": 3},
        "/interval_days",
    ),
    ("kits", {"code": "K", "superseded_by": "k"}, "/superseded_by"),
    ("parts", {"code": "P", "unit_cost": "-1"}, "/unit_cost"),
    ("issues", {"ref": "1", "kit": "K", "issued_on": "2020-01-01", "qty": 0}, ""),
]


@pytest.mark.parametrize(("file", "body", "pointer"), WRONG)
def test_what_cannot_be_is_refused_with_its_place(
    sqlite_client: Client, file: str, body: dict[str, Any], pointer: str
) -> None:
    answer = with_valves(sqlite_client).post(f"/v1/{noun(file)}", json=body)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, pointer), answer.text


def test_a_kit_never_leads_back_to_itself(client: Client) -> None:
    for code, successor in (("K-1", "K-2"), ("K-2", "K-3"), ("K-3", None)):
        assert client.post("/v1/kits", json={"code": code, "superseded_by": successor}).status_code == 201
    back = client.patch("/v1/kits/K-3", json={"superseded_by": "k-1"}, headers=ANY_STATE)
    assert (back.status_code, back.json()["errors"][0]["pointer"]) == (400, "/superseded_by")


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [(b"{", "application/json", 400), (b"[" * 100_000, "application/json", 400), (b"", "application/json", 400)]
    + [(b"{}", "text/csv", 415), (b"{}", "", 415), (b'"' + b"x" * 2**20 + b'"', "application/json", 413)],
)
def test_a_body_that_cannot_be_read_is_told_apart(
    sqlite_client: Client, content: bytes, kind: str, status: int
) -> None:
    answer = sqlite_client.post("/v1/areas", content=content, headers={"Content-Type": kind})
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")


def test_nothing_is_read_again_that_has_not_changed(valve: tuple[Client, str, str], monkeypatch: Any) -> None:
    client, address, tag = valve
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 304
    first = client.get("/v1/valves")
    known = {"If-None-Match": f'"x", {first.headers["etag"]}'}
    monkeypatch.setattr("service.use_cases.change_records.read_part", None)
    unchanged = client.get("/v1/valves", headers=known)
    assert (unchanged.status_code, unchanged.content) == (304, b"")
    assert unchanged.headers["etag"] == first.headers["etag"]
    monkeypatch.undo()
    assert client.get("/v1/valves?limit=1", headers=known).status_code == 200
    assert client.get("/v1/valves?format=csv", headers=known).status_code == 200
    client.patch(address, json={"serial": "1"}, headers=ANY_STATE)
    changed = client.get("/v1/valves", headers=known)
    assert (changed.status_code, changed.json()["value"][0]["serial"]) == (200, "1")


def test_a_list_is_read_page_by_page_or_whole_as_csv(client: Client) -> None:
    for number in range(5):
        client.post("/v1/storerooms", json={"code": f"S-{number}"})
    found, path = [], "/v1/storerooms?limit=2"
    while path:
        page = client.get(path)
        found += [row["code"] for row in page.json()["value"]]
        path = page.json().get("@odata.nextLink", "")
        assert ("link" in page.headers) == bool(path)
    assert found == [f"S-{number}" for number in range(5)]
    assert client.get("/v1/storerooms?format=csv").text.splitlines()[:2] == ["code,name,review_period_days", "S-0,,"]


def test_each_change_is_noted_with_before_and_after(valve: tuple[Client, str, str]) -> None:
    client, address, _ = valve
    client.patch(address, json={"area": "U200", "serial": None}, headers={**ANY_STATE, "X-Request-Id": "r-2"})
    client.patch(address, json={"area": "U200"}, headers=ANY_STATE)
    client.delete(address, headers=ANY_STATE)
    deleted, changed, created = client.get("/v1/audit").json()["value"]
    assert [entry["action"] for entry in (created, changed, deleted)] == ["create", "change", "delete"]
    assert (changed["request_id"], changed["holder"], changed["role"]) == ("r-2", "open access", "admin")
    assert changed["subjects"] == [{"file": "valves", "key": {"tag": "FV-1/A"}}]
    (change,) = client.get(f"/v1/audit/{changed['id']}/changes").json()["value"]
    assert (change["before"], change["after"]) == ({"area": "U100"}, {"area": "U200"})
    (gone,) = client.get(f"/v1/audit/{deleted['id']}/changes").json()["value"]
    assert (gone["before"]["area"], gone["after"]) == ("U200", None)


@pytest.mark.parametrize("file", FILES)
def test_each_file_is_changed_by_its_roles_only(
    sqlite_engines: Engines, sqlite_url: str, connect: Connect, file: str
) -> None:
    """A body or record that there isn't shows that the request got past the door without doing anything."""
    may_change = {"admin", "storeroom" if file in STORES else "planner"}
    may_create = may_change | ({"bench"} if file == "events" else set())
    path = "/".join(("/v1", noun(file), *("none" for _ in FILES[file].key)))
    with connect(Settings(database_url=sqlite_url)) as client:
        for role in ROLES:
            made = manage_keys.create_key(sqlite_engines, role=role, holder=role, expires_at=None)
            headers = {"Authorization": f"Bearer {made.key}", **ANY_STATE, "Content-Type": "application/json"}
            statuses = [
                client.get(f"/v1/{noun(file)}", headers=headers).status_code,
                client.post(f"/v1/{noun(file)}", content=b"{", headers=headers).status_code,
                client.patch(path, content=b"{}", headers=headers).status_code,
                client.delete(path, headers=headers).status_code,
            ]
            changing = [404, 404] if role in may_change else [403, 403]
            assert statuses == [200, 400 if role in may_create else 403, *changing], role
