"""Turnarounds signed: what was seen is what is signed, once; the bytes stay; what comes after is only added."""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from decimal import Decimal
from hashlib import sha256
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlmodel import select

from models.base import Conflict
from models.engine import Engines, open_engines
from models.queries.audit import list_entries
from models.queries.retention import keepers
from models.signatures import Signature
from service.db import read_session
from service.schemas.signatures import SignRequest
from service.settings import Settings
from service.use_cases import manage_keys
from service.use_cases.sign_turnaround import sign
from tests.service.findings_plant import bring_in
from tests.service.stored_plan import store_plan

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
FinishRun = Callable[[Engines], int]
PLACE = "/v1/turnarounds/TA-1"
LATE = {"tag": "FV-9", "change": "add", "reason": "leak seen on the walk-down", "cost": "4110.00"}
PAID = {"line": "planned", "amount": "39700.50", "paid_on": "2026-10-20"}


@pytest.fixture
def run(engines: Engines, finish_run: FinishRun) -> int:
    bring_in(
        engines,
        turnarounds="code,name,starts_on,ends_on,scope_freeze_on,areas\nTA-1,autumn,2026-10-04,2026-10-25,2026-06-06,U\n",
        valves="tag,design\nFV-1,D\n",
        scope_lines="turnaround,tag,decision,reason,decided_by\nTA-1,FV-1,must_open,passes when shut,planning\n",
    )
    number = finish_run(engines)
    store_plan(engines, "TA-1")
    return number


def signed(client: Client) -> Any:
    tag = client.get(f"{PLACE}/document").headers["etag"]
    answer = client.post(f"{PLACE}/sign", json={"note": "agreed on Monday"}, headers={"If-Match": tag})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_what_was_seen_is_signed_and_served_unchanged(client: Client, engines: Engines, run: int) -> None:
    seen = client.get(f"{PLACE}/document")
    assert seen.json()["scope_lines"][0]["tag"] == "FV-1"
    assert seen.json()["basis"]["run"] == run
    budget = seen.json()["budget"]
    assert (budget["contingency"], budget["contingency_percentile"], budget["run"]) == ("8000", 80, run)
    assert [row["line"] for row in budget["lines"]][0] == "planned"
    body = signed(client)
    assert body["sha256"] == sha256(seen.content).hexdigest()
    assert (body["holder"], body["turnaround"], body["run"]) == ("open access", "TA-1", run)
    change = client.get(PLACE)
    client.patch(PLACE, json={"name": "moved"}, headers={"If-Match": change.headers["etag"]})
    bring_in(engines, scope_lines="turnaround,tag,decision\nTA-1,FV-1,must_not_open\n")
    after = client.get(f"{PLACE}/signed")
    assert after.content == seen.content
    assert after.headers["etag"] == f'"{body["sha256"]}"' == seen.headers["etag"]
    assert after.headers["repr-digest"].startswith("sha-256=:")
    assert client.get(f"{PLACE}/document").content != seen.content
    assert client.get(f"{PLACE}/signature").json() == body


def test_nobody_signs_what_they_have_not_seen(client: Client, engines: Engines, run: int) -> None:
    without = client.post(f"{PLACE}/sign", json={})
    assert without.status_code == 428
    tag = client.get(f"{PLACE}/document").headers["etag"]
    bring_in(engines, scope_lines="turnaround,tag,decision\nTA-1,FV-1,must_not_open\n")
    stale = client.post(f"{PLACE}/sign", json={}, headers={"If-Match": tag})
    assert stale.status_code == 412
    assert client.get(f"{PLACE}/signature").status_code == 404
    assert client.get(f"{PLACE}/signed").status_code == 404


def test_a_second_signature_is_refused_with_a_way_on(client: Client, run: int) -> None:
    signed(client)
    tag = client.get(f"{PLACE}/document").headers["etag"]
    again = client.post("/v1/turnarounds/ta-1/sign", json={}, headers={"If-Match": tag})
    assert again.status_code == 409
    assert "was signed by open access on" in again.json()["detail"]
    assert "goes to its late-scope" in again.json()["detail"]


def test_asked_again_under_one_idempotency_key_it_is_one_signature(client: Client, run: int) -> None:
    headers = {"If-Match": client.get(f"{PLACE}/document").headers["etag"], "Idempotency-Key": "sign-1"}
    first, second = (client.post(f"{PLACE}/sign", json={}, headers=headers) for _ in range(2))
    assert (first.status_code, second.status_code) == (200, 200)
    assert first.json() == second.json()


def test_signed_twice_at_once_by_two_connections_exactly_one_holds(
    database_url: str, engines: Engines, run: int
) -> None:
    others = [open_engines(database_url) for _ in range(2)]
    barrier, outcomes = threading.Barrier(2), list[str]()

    def attempt(own: Engines) -> None:
        barrier.wait(10)
        try:
            outcomes.append(sign(own, "TA-1", SignRequest(), expect=lambda _: None, run_id=None).sha256)
        except Conflict as refused:
            outcomes.append(str(refused))

    threads = [threading.Thread(target=attempt, args=(own,)) for own in others]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    for own in others:
        own.reader.dispose()
    assert sorted("was signed by" in outcome for outcome in outcomes) == [False, True]
    with read_session(engines) as session:
        assert len(session.exec(select(Signature)).all()) == 1
        actions = [entry.action for entry in list_entries(session, before=None, limit=9)]
    assert actions.count("sign turnaround") == 1


def test_later_scope_and_actuals_come_after_the_signature_only(client: Client, run: int) -> None:
    for end, body in (("late-scope", LATE), ("actuals", PAID)):
        early = client.post(f"{PLACE}/{end}", json=body)
        assert early.status_code == 409
        assert "isn't signed yet" in early.json()["detail"]
        assert client.get(f"{PLACE}/{end}").status_code == 404
    content = client.get(f"{PLACE}/document").content
    signed(client)
    assert client.post(f"{PLACE}/late-scope", json=LATE).status_code == 201
    assert client.post(f"{PLACE}/late-scope", json=LATE | {"change": "drop", "cost": "0"}).status_code == 201
    assert client.post(f"{PLACE}/actuals", json=PAID).status_code == 201
    assert client.post(f"{PLACE}/actuals", json=PAID | {"amount": "-700.50", "note": "billed twice"}).status_code == 201
    rows = client.get(f"{PLACE}/late-scope").json()["value"]
    assert [(row["change"], row["tag"], row["reason"], row["holder"]) for row in rows] == [
        ("add", "FV-9", LATE["reason"], "open access"),
        ("drop", "FV-9", LATE["reason"], "open access"),
    ]
    lines = client.get(f"{PLACE}/actuals?format=csv").text.splitlines()
    assert lines[0].split(",")[:5] == ["id", "turnaround", "line", "amount", "paid_on"]
    assert [line.split(",")[1:5] for line in lines[1:]] == [
        ["TA-1", "planned", "39700.50", "2026-10-20"],
        ["TA-1", "planned", "-700.50", "2026-10-20"],
    ]
    assert client.get(f"{PLACE}/signed").content == content


def test_a_turnaround_that_the_run_did_not_plan_cannot_be_signed(client: Client, engines: Engines, run: int) -> None:
    bring_in(engines, turnarounds="code,name,starts_on,ends_on\nTA-2,later,2027-10-04,2027-10-25\n")
    for answer in (
        client.get("/v1/turnarounds/TA-2/document"),
        client.post("/v1/turnarounds/TA-2/sign", json={}, headers={"If-Match": '"x"'}),
    ):
        assert answer.status_code == 409
        assert "didn't know turnaround TA-2 as it is now" in answer.json()["detail"]


def test_what_was_paid_is_set_beside_what_was_signed(client: Client, run: int) -> None:
    """Later scope is 4,110 less 1,000, and moves the total and its levels by that."""
    assert client.get(f"{PLACE}/paid-beside-budget").status_code == 404
    signed(client)
    before = client.get(f"{PLACE}/paid-beside-budget").json()["value"]
    assert {row["reason"] for row in before} == {"Nothing paid is recorded yet."}
    assert {row["paid_less_mean"] for row in before} == {None}
    client.post(f"{PLACE}/late-scope", json=LATE)
    client.post(f"{PLACE}/late-scope", json=LATE | {"change": "drop", "cost": "1000.00"})
    for name, amount in (("planned", "31000"), ("planned", "-500"), ("emergent", "5500"), ("late_scope", "3110")):
        client.post(f"{PLACE}/actuals", json=PAID | {"line": name, "amount": amount})
    rows = {row["line"]: row for row in client.get(f"{PLACE}/paid-beside-budget").json()["value"]}
    assert list(rows) == ["planned", "emergent", "late_scope", "total_with_prices_and_hours"]
    amounts = {
        name: [Decimal(row[of]) for of in ("mean", "p80", "paid", "paid_less_mean")] for name, row in rows.items()
    }
    assert amounts == {
        "planned": [30_000, 30_000, 30_500, 500],
        "emergent": [4_000, 5_000, 5_500, 1_500],
        "late_scope": [3_110, 3_110, 3_110, 0],
        "total_with_prices_and_hours": [37_110, 41_110, 39_110, 2_000],
    }
    assert [row["payments"] for row in rows.values()] == [2, 1, 1, 4]
    assert [row["reason"] for row in rows.values()] == [
        "More than was expected in 90 of 100 cases.",
        "More than was expected in 80 of 100 cases.",
        "Within what was expected.",
        "Within what was expected.",
    ]


@pytest.mark.parametrize("method", ["patch", "delete", "put"])
def test_nothing_that_came_after_can_be_changed_or_taken_away(client: Client, run: int, method: str) -> None:
    signed(client)
    client.post(f"{PLACE}/late-scope", json=LATE)
    for end in ("sign", "signed", "signature", "late-scope", "late-scope/1", "actuals"):
        assert client.request(method, f"{PLACE}/{end}", json={}).status_code in {404, 405}
    assert len(client.get(f"{PLACE}/late-scope").json()["value"]) == 1


@pytest.mark.parametrize(
    ("end", "body", "pointer"),
    [
        ("late-scope", LATE | {"cost": "-1"}, "/cost"),
        ("late-scope", LATE | {"reason": " "}, "/reason"),
        ("late-scope", LATE | {"change": "swap"}, "/change"),
        ("actuals", PAID | {"line": "other"}, "/line"),
        ("actuals", PAID | {"amount": "0.1234567"}, "/amount"),
    ],
)
def test_what_breaks_the_contract_is_refused(
    client: Client, run: int, end: str, body: dict[str, str], pointer: str
) -> None:
    signed(client)
    answer = client.post(f"{PLACE}/{end}", json=body)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == pointer
    assert client.get(f"{PLACE}/{end}").json()["value"] == []


def test_a_planner_signs_and_a_reader_does_not(sqlite_url: str, connect: Connect, sqlite_engines: Engines) -> None:
    keys = {
        role: manage_keys.create_key(sqlite_engines, role=role, holder=f"the {role}", expires_at=None)
        for role in ("reader", "planner")
    }
    with connect(Settings(database_url=sqlite_url)) as client:
        for role, status in (("reader", 403), ("planner", 404)):
            headers = {"Authorization": f"Bearer {keys[role].key}", "If-Match": '"x"'}
            assert client.post(f"{PLACE}/sign", json={}, headers=headers).status_code == status


def test_a_signature_keeps_its_run_whole() -> None:
    assert "signatures.run_id" in [str(column) for column in keepers(Signature.metadata)]
