"""What was taken of proposals: who may, what is recorded, what is refused."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import delete
from sqlalchemy.exc import IntegrityError
from sqlmodel import col

from models.engine import Engines
from models.queries.retention import keepers
from models.runs import Run
from service.db import write_session
from service.settings import Settings
from service.use_cases import manage_keys
from tests.service.test_run_forecast import FILES, bring_in, computed, of_valves

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
Connect = Callable[[Settings], AbstractContextManager[Client]]

ADDRESS = "/v1/reorder-points/main/k-1/accept"
TAKEN = {"reorder_point": 3, "quantity": 4, "reason": "as proposed"}


def test_what_is_taken_is_recorded_beside_what_was_proposed(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    run = finish_run(engines)
    answer = client.post(ADDRESS, json={"quantity": 6, "reason": "two more for the shutdown"})
    assert answer.status_code == 200, answer.text
    body = answer.json()
    accepted_at = body.pop("accepted_at")
    assert accepted_at.endswith("Z")
    assert body == {
        **{"id": 1, "storeroom": "MAIN", "kit": "K-1", "reorder_point": None, "quantity": 6},
        **{"reason": "two more for the shutdown", "holder": "open access"},
        **{"proposed_reorder_point": 3, "proposed_quantity": 4, "position": 2, "present_reorder_point": 2},
        **{"unit_cost": "1200.50", "cost": "7203.00", "run": run, "as_of": "2026-03-01"},
        **{"turnaround": None},
    }
    assert client.get("/v1/acceptances").json()["value"] == [{**body, "accepted_at": accepted_at}]


def test_the_log_is_csv_read_in_parts_and_tagged(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    for quantity in (4, 5):
        client.post(ADDRESS, json={"quantity": quantity, "reason": "=1+1"})
    client.post("/v1/reorder-points/MAIN/K%2F2/accept", json={"reorder_point": -1, "reason": "no longer kept"})
    lines = client.get("/v1/acceptances?format=csv&kit=k-1").text.splitlines()
    assert lines[0].split(",")[:7] == ["id", "storeroom", "kit", "reorder_point", "quantity", "reason", "holder"]
    assert [line.split(",")[:6] for line in lines[1:]] == [
        ["1", "MAIN", "K-1", "", "4", "'=1+1"],
        ["2", "MAIN", "K-1", "", "5", "'=1+1"],
    ]
    first = client.get("/v1/acceptances?limit=2")
    rest = client.get(first.json()["@odata.nextLink"]).json()["value"]
    assert [(one["kit"], one["reorder_point"]) for one in rest] == [("K/2", -1)]
    again = client.get("/v1/acceptances?limit=2", headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"reason": "nothing taken"}, ""),
        ({"quantity": -1, "reason": "absurd"}, "/quantity"),
        ({"reorder_point": -2, "reason": "absurd"}, "/reorder_point"),
        ({"quantity": 2.5, "reason": "absurd"}, "/quantity"),
        ({"quantity": 10**12, "reason": "absurd"}, "/quantity"),
        ({"quantity": 1}, "/reason"),
        ({"quantity": 1, "reason": " "}, "/reason"),
        ({"quantity": 1, "reason": "typing slip", "qty": 2}, "/qty"),
    ],
    ids=str,
)
def test_absurd_and_missing_numbers_are_refused_and_nothing_is_recorded(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, body: dict[str, object], pointer: str
) -> None:
    finish_run(sqlite_engines)
    answer = sqlite_client.post(ADDRESS, json=body)
    assert answer.status_code == 400, answer.text
    assert answer.json()["errors"][0].get("pointer", "") == pointer
    assert sqlite_client.get("/v1/acceptances").json()["value"] == []


def test_only_what_the_latest_run_proposes_can_be_taken(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    first, second = finish_run(engines), finish_run(engines)
    late = client.post(f"{ADDRESS}?run={first}", json=TAKEN)
    assert (late.status_code, late.json()["detail"]) == (
        409,
        f"run {first} isn't the latest: look at what run {second} proposes, and accept that",
    )
    assert client.post(f"{ADDRESS}?run={second}", json=TAKEN).json()["run"] == second


def test_without_a_proposal_there_is_nothing_to_take(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    assert client.post(ADDRESS, json=TAKEN).status_code == 409
    finish_run(engines)
    unknown = client.post("/v1/reorder-points/MAIN/K-4/accept", json=TAKEN)
    assert (unknown.status_code, unknown.json()["detail"]) == (
        409,
        "nothing is proposed for kit K-4 in storeroom MAIN: its lead time is not known",
    )
    assert client.post("/v1/reorder-points/MAIN/K-9/accept", json=TAKEN).status_code == 404


def test_a_request_sent_twice_under_one_key_is_one_acceptance(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(engines)
    answers = [client.post(ADDRESS, json=TAKEN, headers={"Idempotency-Key": "six-o-clock"}) for _ in range(2)]
    assert answers[0].json() == answers[1].json()
    assert len(client.get("/v1/acceptances").json()["value"]) == 1


def test_the_storeroom_accepts_in_its_own_name_and_others_do_not(
    connect: Connect, sqlite_url: str, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    roles = ("reader", "sheet", "bench", "planner", "storeroom")
    made = {
        role: manage_keys.create_key(sqlite_engines, role=role, holder=f"the {role}", expires_at=None) for role in roles
    }
    with connect(Settings(database_url=sqlite_url)) as client:
        assert client.post(ADDRESS, json=TAKEN).status_code == 401
        answers = {
            role: client.post(ADDRESS, json=TAKEN, headers={"Authorization": f"Bearer {made[role].key}"})
            for role in roles
        }
    assert {role: answer.status_code for role, answer in answers.items()} == {
        **dict.fromkeys(roles, 403),
        "storeroom": 200,
    }
    assert answers["storeroom"].json()["holder"] == "the storeroom"


def test_the_run_that_an_acceptance_points_to_stays(engines: Engines, client: Client, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    client.post(ADDRESS, json=TAKEN)
    assert "acceptances" in {column.table.name for column in keepers(Run.metadata)}
    with pytest.raises(Exception, match="(?i)foreign key") as refused, write_session(engines) as session:
        session.execute(delete(Run).where(col(Run.id) == run))
    assert isinstance(refused.value.__cause__, IntegrityError)


def test_the_trail_names_what_was_accepted(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    client.post(ADDRESS, json=TAKEN)
    (entry,) = [one for one in client.get("/v1/audit").json()["value"] if one["action"] == "accept proposal"]
    said = {"acceptance": 1, "run": run, "storeroom": "MAIN", "kit": "K-1", **TAKEN}
    assert entry["subjects"] == [said]


def test_what_was_accepted_is_not_proposed_again_and_counts_until_it_is_on_an_order(
    client: Client, engines: Engines
) -> None:
    """Four nights: proposed; accepted, so not again; partly ordered, so the rest counts; the rest taken back."""
    bring_in(engines, of_valves(FILES, "FV-1", "FV-2", "FV-3"))
    address = "/v1/reorder-points/MAIN/KP"
    computed(engines)
    first = client.get(address).json()
    assert (first["position"], first["proposed_quantity"] > 1) == (1, True)
    wanted = first["proposed_quantity"]
    taken = client.post(f"{address}/accept", json={"quantity": wanted, "reorder_point": 9, "reason": "as proposed"})
    assert taken.json()["present_reorder_point"] == 2
    computed(engines)
    second = client.get(address).json()
    assert (second["position"], second["proposed_quantity"]) == (1 + wanted, 0)
    assert second["present_reorder_point"] == 9
    assert f"{wanted} accepted, on no order yet" in second["reason"]
    assert "KP" in [line["kit"] for line in client.get("/v1/order-list").json()["value"]]
    placed = {"ref": "PO-9", "line": "1", "storeroom": "MAIN", "kit": "KP", "due_on": "2026-03-20"}
    made = client.post("/v1/orders", json={**placed, "ordered_on": "2026-03-01", "qty": wanted - 1})
    assert made.status_code == 201, made.text
    computed(engines)
    third = client.get(address).json()
    assert (third["position"], third["proposed_quantity"]) == (1 + wanted, 0)
    assert "1 accepted, on no order yet" in third["reason"]
    client.post(f"{address}/accept", json={"quantity": 0, "reason": "no longer wanted"})
    computed(engines)
    assert client.get(address).json()["position"] == wanted


def test_what_was_taken_is_not_on_the_list_to_be_ordered_again(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    """Before the next run: 4 taken in two steps; then all taken back."""
    finish_run(engines)

    def line() -> dict[str, Any]:
        (found,) = (row for row in client.get("/v1/order-list").json()["value"] if row["kit"] == "K-1")
        return dict(found)

    before = line()
    assert (before["action"], before["order_quantity"], before["position"]) == ("order", 4, 2)
    client.post(ADDRESS, json={"quantity": 3, "reason": "what the budget pays"})
    client.post(ADDRESS, json={"quantity": 1, "reason": "one more"})
    after = line()
    assert (after["action"], after["order_quantity"], after["accepted_qty"]) == ("accepted_not_ordered", 0, 4)
    assert (after["position"], after["cost"]) == (6, None)
    assert after["reason"] == f"4 accepted since this forecast, on no order yet; before that: {before['reason']}"
    why = "/v1/reorder-points/MAIN/K-1/why"
    assert (
        client
        .get(why)
        .json()["sentence"]
        .startswith(
            "Nothing more to order of kit K-1 in storeroom MAIN: 4 accepted since this forecast; before that its stock"
        )
    )
    client.post(ADDRESS, json={"quantity": 0, "reason": "not this year"})
    assert "MAIN: declined since this forecast" in client.get(why).json()["sentence"]
    declined = line()
    assert (declined["action"], declined["order_quantity"], declined["position"]) == ("declined", 0, 2)
    client.post(ADDRESS, json={"reorder_point": 5, "reason": "only a level, which decides no quantity"})
    assert line() == declined
