"""The audit trail: who changed what, when, in which request; what changed nothing leaves nothing."""

from hashlib import sha256
from typing import Any

from litestar.testing import TestClient

Client = TestClient[Any]
CSV = {"Content-Type": "text/csv", "X-Request-Id": "import-1"}
VALVES = "tag,design,installed_on\nV-1,GLOBE,2015-01-01\nV-2,GLOBE,2016-01-01\n"


def entries(client: Client) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/audit").json()["value"]
    return found


def test_an_import_is_one_entry_with_its_digest_counts_and_what_became_of_changed_rows(client: Client) -> None:
    changed = VALVES.replace("V-2,GLOBE,2016-01-01", "V-2,ANGLE,2016-02")
    for content in (VALVES, changed):
        assert client.post("/v1/imports/valves", content=content, headers=CSV).status_code == 200
    second, first = entries(client)
    assert (first["holder"], first["role"], first["request_id"]) == ("open access", "admin", "import-1")
    assert first["action"] == second["action"] == "import"
    counts = [
        {"created": 2, "changed": 0, "unchanged": 0},
        {"created": 0, "changed": 1, "unchanged": 1},
    ]
    digests = [sha256(content.encode()).hexdigest() for content in (VALVES, changed)]
    assert first["subjects"] == [{"file": "valves", **counts[0], "sha256": digests[0]}]
    assert second["subjects"] == [{"file": "valves", **counts[1], "sha256": digests[1]}]
    assert client.get(f"/v1/audit/{first['id']}/changes").json()["value"] == []
    (change,) = client.get(f"/v1/audit/{second['id']}/changes").json()["value"]
    assert change["key"] == {"tag": "V-2"}
    assert change["before"] == {"design": "GLOBE", "installed_on": "2016-01-01"}
    assert change["after"] == {"design": "ANGLE", "installed_on": "2016-02"}


def test_what_changes_nothing_is_not_noted(client: Client) -> None:
    client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    client.post("/v1/imports/valves?dry_run=true", content=VALVES.replace("2015", "2014"), headers=CSV)
    client.post("/v1/imports/valves", content="tag\nbad|code\n", headers=CSV)
    assert len(entries(client)) == 1


def test_runs_and_keys_are_noted(client: Client) -> None:
    run = client.post("/v1/runs").json()
    client.post(f"/v1/runs/{run['id']}/cancel")
    client.post("/v1/keys", json={"role": "reader", "holder": "Ines Example"})
    client.post("/v1/keys/1/revoke")
    client.post("/v1/keys/1/revoke")
    actions = [(entry["action"], entry["subjects"][0]) for entry in reversed(entries(client))]
    key = {"key": 1, "role": "reader", "holder": "Ines Example"}
    assert ("request run", {"run": run["id"], "as_of": run["as_of"]}) in actions
    assert [pair for pair in actions if "key" in pair[0]] == [("create key", key), ("revoke key", key)]


def test_instants_leave_in_a_workbook_too(client: Client) -> None:
    client.post("/v1/areas", json={"code": "U100"})
    answer = client.get("/v1/audit?format=xlsx")
    assert (answer.status_code, answer.content[:2]) == (200, b"PK")
