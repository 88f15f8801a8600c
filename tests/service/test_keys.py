"""Keys: who is let in, and for what; a key is shown once and stands nowhere after."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from litestar.testing import TestClient
from structlog.testing import capture_logs

from forecasting.errors import InvalidInput
from models.access import ROLES
from models.engine import Engines
from models.queries.files import FILES
from service.roles import REGISTER, STORES, may, needed
from service.settings import Settings
from service.use_cases import manage_keys
from tests.database_dump import dump

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
CSV = {"Content-Type": "text/csv"}


@pytest.fixture
def guarded(database_url: str, connect: Connect) -> Iterator[Client]:
    """Connect to a server that asks for keys, on a database of each kind."""
    with connect(Settings(database_url=database_url)) as client:
        yield client


@pytest.fixture
def keys(engines: Engines) -> dict[str, str]:
    """A key of each role."""
    return {role: key_of(engines, role) for role in ROLES}


def key_of(engines: Engines, role: str, *, expires_at: datetime | None = None) -> str:
    made = manage_keys.create_key(engines, role=role, holder=f"holder of {role}", expires_at=expires_at)
    assert isinstance(made.key, str)
    return made.key


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def test_a_holder_of_a_key_is_let_in(guarded: Client, keys: dict[str, str]) -> None:
    assert guarded.get("/v1/runs", headers=bearer(keys["reader"])).json() == {"value": []}
    assert guarded.get("/v1/runs", headers={"Authorization": f"bearer  {keys['reader']}"}).status_code == 200


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Bearer vk_nonsense", "Basic dXNlcjpwYXNz", "vk_x"])
def test_who_has_no_key_is_told_how_to_send_one(guarded: Client, header: str) -> None:
    answer = guarded.get("/v1/runs", headers={"Authorization": header})
    assert (answer.status_code, answer.json()["type"]) == (401, "/problems/key-required")
    assert answer.headers["www-authenticate"] == "Bearer"


def test_an_expired_or_revoked_key_counts_no_more(guarded: Client, engines: Engines, monkeypatch: Any) -> None:
    soon = datetime.now(tz=UTC) + timedelta(hours=1)  # noqa: TID251 - a key that still counts
    expiring, lasting = key_of(engines, "reader", expires_at=soon), key_of(engines, "reader")
    assert guarded.get("/v1/runs", headers=bearer(expiring)).status_code == 200
    monkeypatch.setattr("service.use_cases.check_key.now", lambda: soon)
    assert guarded.get("/v1/runs", headers=bearer(expiring)).status_code == 401
    assert guarded.get("/v1/runs", headers=bearer(lasting)).status_code == 200
    manage_keys.revoke_key(engines, 2)
    assert guarded.get("/v1/runs", headers=bearer(lasting)).status_code == 401


def test_a_key_is_stored_as_its_digest_only(engines: Engines, keys: dict[str, str]) -> None:
    stored = str(dump(engines))
    assert [role for role, key in keys.items() if key in stored] == []
    assert len({len(key) for key in keys.values()}) == 1
    assert min(len(key) for key in keys.values()) >= 43


def test_a_key_made_over_http_is_shown_once(guarded: Client, keys: dict[str, str]) -> None:
    admin = bearer(keys["admin"])
    wanted = {"role": "bench", "holder": "Ines Example", "expires_at": "2999-01-01T00:00:00Z"}
    made = guarded.post("/v1/keys", json=wanted, headers=admin)
    assert made.status_code == 201
    assert made.headers["cache-control"] == "no-store"
    assert guarded.get("/v1/runs", headers=bearer(made.json()["key"])).status_code == 200
    shown = guarded.get(made.headers["location"], headers=admin).json()
    assert shown == {name: value for name, value in made.json().items() if name != "key"}
    assert "vk_" not in guarded.get("/v1/keys", headers=admin).text
    assert "vk_" not in guarded.get("/v1/audit", headers=admin).text
    revoked = guarded.post(f"{made.headers['location']}/revoke", headers=admin)
    assert revoked.json()["revoked_at"] is not None
    assert guarded.get("/v1/runs", headers=bearer(made.json()["key"])).status_code == 401
    assert guarded.get("/v1/keys/99", headers=admin).status_code == 404


@pytest.mark.parametrize(
    ("role", "holder", "expires_at", "message"),
    [
        ("owner", "X", None, "role is owner, expected one of reader, sheet"),
        ("reader", "  ", None, "holder is empty"),
        ("reader", "X", datetime(2020, 1, 1, tzinfo=UTC), "expected a time to come"),
    ],
)
def test_a_key_that_makes_no_sense_is_refused(
    sqlite_engines: Engines, role: str, holder: str, expires_at: datetime | None, message: str
) -> None:
    with pytest.raises(InvalidInput, match=message):
        manage_keys.create_key(sqlite_engines, role=role, holder=holder, expires_at=expires_at)


def test_a_key_in_an_address_is_for_spreadsheets_only(guarded: Client, keys: dict[str, str]) -> None:
    sheet = keys["sheet"]
    assert guarded.get(f"/v1/runs?format=csv&key={sheet}").status_code == 200
    assert guarded.get(f"/v1/runs?key={sheet}").status_code == 403
    assert guarded.get(f"/v1/export.zip?format=csv&key={sheet}").status_code == 403
    assert guarded.get(f"/v1/runs/latest?format=csv&key={sheet}").status_code == 406
    assert guarded.post(f"/v1/runs?format=csv&key={sheet}").status_code == 403
    assert guarded.get(f"/v1/runs?format=csv&key={keys['admin']}").status_code == 403
    assert guarded.get("/v1/runs?format=csv&key=vk_nonsense").status_code == 401
    assert guarded.get("/v1/runs", headers=bearer(sheet)).status_code == 200


WRITES: list[tuple[str, str, set[str]]] = [
    ("POST", "/v1/runs", {"planner", "admin"}),
    ("POST", "/v1/imports/valves", {"planner", "admin"}),
    ("POST", "/v1/imports/Stock", {"storeroom", "admin"}),
    ("POST", "/v1/imports/nothing", {"storeroom", "planner", "admin"}),
    ("POST", "/v1/keys", {"admin"}),
    ("GET", "/v1/keys", {"admin"}),
    ("GET", "/v1/audit", {"admin"}),
    ("GET", "/v1/runs", set(ROLES)),
]


@pytest.mark.parametrize(("method", "path", "roles"), WRITES)
def test_a_role_is_held_to_what_it_may_do(
    guarded: Client, keys: dict[str, str], method: str, path: str, roles: set[str]
) -> None:
    """A body that can't be read shows that the request got past the door without doing anything."""
    for role, key in keys.items():
        answer = guarded.request(method, path, headers={**bearer(key), **CSV}, content=b"{")
        assert (answer.status_code == 403) == (role not in roles), (role, answer.text)
        if answer.status_code == 403:
            assert answer.json()["type"] == "/problems/role-too-low"
            assert f"this one has the role {role}" in answer.json()["detail"]


def test_every_file_belongs_to_the_register_or_to_the_stores() -> None:
    assert set(FILES) == REGISTER | STORES
    assert set() == REGISTER & STORES


def test_what_the_table_of_roles_does_not_know_is_for_administrators() -> None:
    assert needed("POST", "/v1/anything", {}) == needed("DELETE", "/v1/demand", {}) == "administer"
    assert [role for role in ROLES if may(role, "administer")] == ["admin"]
    assert not may("owner", "read")


def test_no_answer_and_no_log_holds_a_key(guarded: Client, keys: dict[str, str]) -> None:
    """Whatever is asked with it, and whatever goes wrong."""
    sheet, admin = keys["sheet"], keys["admin"]
    with capture_logs() as logs:
        answers = [
            guarded.get(f"/v1/runs?format=csv&limit=1&key={sheet}"),
            guarded.get(f"/v1/order-list?format=csv&key={sheet}"),
            guarded.get(f"/v1/runs?format=csv&cursor=x&key={sheet}"),
            guarded.get(f"/v1/runs?key={admin}"),
            guarded.get(f"/v1/nothing?format=csv&key={sheet}"),
            guarded.get("/v1/nothing", headers=bearer(admin)),
            guarded.post("/v1/runs", content=b"{", headers=bearer(admin)),
            guarded.post("/v1/imports/valves", content=b"x", headers={**bearer(admin), **CSV}),
        ]
    told = "".join(f"{answer.headers} {answer.text}" for answer in answers) + str(logs)
    assert [key for key in keys.values() if key in told] == []
    assert len(logs) >= len(answers)


def test_the_next_page_of_a_list_does_not_carry_the_key(guarded: Client, keys: dict[str, str]) -> None:
    answer = guarded.get(f"/v1/keys?limit=1&key={keys['sheet']}", headers=bearer(keys["admin"]))
    assert answer.json()["@odata.nextLink"] == "/v1/keys?limit=1&cursor=1"
    assert answer.headers["link"] == '</v1/keys?limit=1&cursor=1>; rel="next"'


def test_a_caller_who_asks_too_often_must_wait(database_url: str, connect: Connect, engines: Engines) -> None:
    """Each key has a budget of its own, and so has each address without one."""
    eager, patient = bearer(key_of(engines, "reader")), bearer(key_of(engines, "reader"))
    with connect(Settings(database_url=database_url, requests_per_minute=3)) as client:
        statuses = [client.get("/v1/runs", headers=eager).status_code for _ in range(5)]
        assert statuses == [200, 200, 200, 429, 429]
        refused = client.get("/v1/runs", headers=eager)
        assert refused.json()["type"] == "/problems/too-many-requests"
        assert 1 <= int(refused.headers["retry-after"]) <= 20
        assert client.get("/v1/runs", headers=patient).status_code == 200
        assert [client.get("/v1/runs").status_code for _ in range(4)] == [401, 401, 401, 429]
