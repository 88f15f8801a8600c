"""What is accepted of a turnaround's plan: recorded, on the list until an order comes, and counted for it alone."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines, open_engines
from service.settings import Settings
from service.use_cases import manage_keys
from tests.service.test_run_forecast import computed
from tests.service.test_turnaround_order_lines import lines_of

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
Row = dict[str, Any]
ADDRESS = "/v1/turnarounds/ta-26/kits/kt/accept"


@pytest.fixture
def plant(wet_file: Path, tmp_path: Path) -> Iterator[Engines]:
    """Copy a small plant that has turnarounds to come, with its first run."""
    path = tmp_path / "record.sqlite"
    shutil.copyfile(wet_file, path)
    engines = open_engines(f"sqlite:///{path}")
    yield engines
    engines.reader.dispose()


@pytest.fixture
def client(plant: Engines, connect: Connect) -> Iterator[Client]:
    """Connect to the open server on it."""
    with connect(Settings(database_url=str(plant.reader.url), access="open")) as client:
        yield client


def kit(client: Client, code: str = "TA-26") -> Row:
    return next(one for one in client.get(f"/v1/turnarounds/{code}/kits").json()["value"] if one["kit"] == "KT")


def line(client: Client) -> Row:
    (found,) = [one for one in lines_of(client) if one["turnaround"] == "TA-26"]
    return found


def running(client: Client) -> Row:
    return dict(client.get("/v1/reorder-points/MAIN/KT").json())


def test_it_is_recorded_and_the_list_says_so_at_once(client: Client) -> None:
    wanted, before = kit(client)["to_order"], line(client)
    assert (wanted, before["action"], before["order_quantity"]) == (wanted, "order", wanted)
    answer = client.post(ADDRESS, json={"quantity": wanted, "reason": "as planned"})
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert body.pop("accepted_at").endswith("Z")
    assert body == {
        **{"id": 1, "storeroom": "MAIN", "kit": "KT", "reorder_point": None, "quantity": wanted},
        **{"reason": "as planned", "holder": "open access", "proposed_reorder_point": None},
        **{"proposed_quantity": wanted, "position": None, "present_reorder_point": None, "unit_cost": "990.25"},
        **{"cost": f"{wanted * 990.25:.2f}", "run": 1, "as_of": "2026-03-01", "turnaround": "TA-26"},
    }
    log = client.get("/v1/acceptances").json()["value"]
    assert [(one["turnaround"], one["kit"], one["quantity"]) for one in log] == [("TA-26", "KT", wanted)]
    after = line(client)
    assert (after["action"], after["order_quantity"], after["accepted_qty"]) == ("accepted_not_ordered", 0, wanted)
    assert (after["cost"], after["order_by"]) == (None, before["order_by"])
    assert after["reason"] == f"{wanted} accepted since this forecast, on no order yet; before that: {before['reason']}"
    declined = client.post(ADDRESS, json={"quantity": 0, "reason": "not this year"})
    assert declined.status_code == 200
    assert (line(client)["action"], line(client)["order_quantity"], line(client)["accepted_qty"]) == ("declined", 0, 0)
    (entry, _) = [one for one in client.get("/v1/audit").json()["value"] if one["action"] == "accept proposal"]
    assert entry["subjects"][0]["turnaround"] == "TA-26"


def night(client: Client, plant: Engines) -> tuple[Row, Row]:
    """Run the forecast; tell the kit as it is planned, and the running need of it."""
    computed(plant)
    return kit(client), running(client)


def test_accepted_ordered_received_it_counts_once_and_for_the_turnaround_alone(client: Client, plant: Engines) -> None:
    """Five nights: planned; accepted; on an order; overdue; received. The running need never sees these kits."""
    first, mine = kit(client), running(client)
    wanted = first["to_order"]
    assert wanted > 1
    client.post(ADDRESS, json={"quantity": wanted, "reason": "as planned"})
    nights = [night(client, plant)]
    told = f"{wanted} accepted and on no order yet, to be ordered by {first['order_by']}"
    assert told in nights[0][0]["reason"]
    asked = {name: line(client)[name] for name in ("action", "accepted_qty", "order_quantity", "order_by")}
    assert list(asked.values()) == ["accepted_not_ordered", wanted, 0, first["order_by"]]
    placed = {"ref": "PO-9", "line": "1", "storeroom": "MAIN", "kit": "KT", "ordered_on": "2026-03-01"}
    assert client.post("/v1/orders", json={**placed, "due_on": "2026-08-20", "qty": wanted}).status_code == 201
    nights.append(night(client, plant))
    assert f"Of what was accepted for it: {wanted} on order." in nights[1][0]["reason"]
    assert [one["turnaround"] for one in lines_of(client) if one["turnaround"] == "TA-26"] == []
    client.patch("/v1/orders/PO-9/1", json={"due_on": "2026-02-25"})
    nights.append(night(client, plant))
    asked = {name: line(client)[name] for name in ("action", "overdue_qty", "order_by")}
    assert list(asked.values()) == ["chase_overdue", wanted, "2026-03-01"]
    client.patch("/v1/orders/PO-9/1", json={"received_on": "2026-03-01", "received_qty": wanted})
    client.patch("/v1/stock/MAIN/KT", json={"on_hand": 1 + wanted})
    nights.append(night(client, plant))
    assert f"{wanted} in the storeroom" in nights[3][0]["reason"]
    assert f"{wanted} kept for turnarounds" in nights[3][1]["reason"]
    there = first["available"] + wanted
    assert [(one["to_order"], one["available"]) for one, _ in nights] == [(0, there)] * 4
    assert {(one["position"], one["proposed_quantity"]) for _, one in nights} == {
        (mine["position"], mine["proposed_quantity"])
    }
    assert [one["details"]["for_turnarounds"] for _, one in nights] == [{"TA-26": wanted}] * 4
    (same,) = client.post("/v1/what-if", json={"kit": "KT", "storeroom": "MAIN", "floor_qty": 0}).json()["value"]
    assert same["what_if"]["position"] == mine["position"]


def test_what_is_accepted_for_one_turnaround_is_not_there_for_the_next(client: Client, plant: Engines) -> None:
    """But what it has beyond its need comes back to the shelf."""
    first, second = kit(client), kit(client, "TA-28")
    client.post(ADDRESS, json={"quantity": first["to_order"], "reason": "as planned"})
    computed(plant)
    assert kit(client, "TA-28")["available"] == second["available"]
    client.post(ADDRESS, json={"quantity": 2, "reason": "two more than needed"})
    computed(plant)
    assert kit(client, "TA-28")["available"] == second["available"] + 2


@pytest.mark.parametrize(
    ("address", "body", "status", "told"),
    [
        (ADDRESS, {"quantity": -1, "reason": "absurd"}, 400, "/quantity"),
        (ADDRESS, {"reason": "how many?"}, 400, "quantity"),
        (ADDRESS, {"quantity": 1, "reason": " "}, 400, "/reason"),
        (ADDRESS, {"quantity": 1, "reason": "slip", "qty": 2}, 400, "qty"),
        (
            ADDRESS,
            {"quantity": 1, "reason": "r", "storeroom": "EAST"},
            400,
            "`storeroom` must be one that serves its valves, MAIN, got 'EAST'",
        ),
        ("/v1/turnarounds/TA-26/kits/NONE/accept", {"quantity": 1, "reason": "r"}, 404, "plans no kit NONE"),
        ("/v1/turnarounds/TA-99/kits/KT/accept", {"quantity": 1, "reason": "r"}, 404, "there is no turnaround TA-99"),
        ("/v1/turnarounds/TA-24/kits/KT/accept", {"quantity": 1, "reason": "r"}, 409, "was over on 2024-09-20"),
        (f"{ADDRESS}?run=7", {"quantity": 1, "reason": "r"}, 404, "7"),
    ],
)
def test_what_cannot_be_taken_is_refused_and_nothing_is_recorded(
    client: Client, address: str, body: Row, status: int, told: str
) -> None:
    answer = client.post(address, json=body)
    assert answer.status_code == status, answer.text
    assert told in answer.text
    assert client.get("/v1/acceptances").json()["value"] == []


def test_only_the_latest_plan_can_be_taken(client: Client, plant: Engines) -> None:
    computed(plant)
    late = client.post(f"{ADDRESS}?run=1", json={"quantity": 1, "reason": "r"})
    assert (late.status_code, late.json()["detail"][:25]) == (409, "run 1 isn't the latest: l")


def test_a_request_sent_twice_under_one_key_is_one_acceptance(client: Client) -> None:
    body, headers = {"quantity": 2, "reason": "as planned", "storeroom": "main"}, {"Idempotency-Key": "six-o-clock"}
    answers = [client.post(ADDRESS, json=body, headers=headers) for _ in range(2)]
    assert answers[0].json() == answers[1].json()
    assert len(client.get("/v1/acceptances").json()["value"]) == 1
    assert client.post(ADDRESS, json=body | {"quantity": 3}, headers=headers).status_code == 422


def test_the_storeroom_accepts_and_others_do_not(plant: Engines, connect: Connect) -> None:
    body, roles = {"quantity": 2, "reason": "as planned"}, ("reader", "sheet", "bench", "planner", "storeroom")
    made = {role: manage_keys.create_key(plant, role=role, holder=f"the {role}", expires_at=None) for role in roles}
    with connect(Settings(database_url=str(plant.reader.url))) as client:
        assert client.post(ADDRESS, json=body).status_code == 401
        answers = {
            role: client.post(ADDRESS, json=body, headers={"Authorization": f"Bearer {made[role].key}"})
            for role in roles
        }
    assert {role: answer.status_code for role, answer in answers.items()} == dict.fromkeys(roles, 403) | {
        "storeroom": 200
    }
    assert answers["storeroom"].json()["holder"] == "the storeroom"


def test_the_days_of_the_plant_are_those_told_here(client: Client) -> None:
    """What the nights above rely on: the order is due before the turnaround begins."""
    assert date.fromisoformat(kit(client)["needed_on"]) > date(2026, 8, 20)
