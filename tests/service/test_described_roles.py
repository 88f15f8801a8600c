"""The API description says which roles may do what, and each key is let in or refused as it says."""

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from litestar.testing import TestClient

from models.access import ROLES
from models.engine import Engines
from models.queries.files import FILES
from service.settings import Settings
from service.use_cases import manage_keys

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
ALIKE = FILES.keys() - {"events", "stock", "valves"}  # their routes are made by the same functions
STARTS_A_FORECAST = ("post", "/v1/runs")
REFUSED = 403


def roles_by_way(operation: dict[str, Any], way: str) -> set[str]:
    return {role for requirement in operation.get("security", []) for role in requirement.get(way, [])}


def operations(client: Client, headers: dict[str, str]) -> list[tuple[str, str, dict[str, Any]]]:
    paths = client.get("/schema/openapi.json", headers=headers).json()["paths"]
    return [(method, path, operation) for path, of in paths.items() for method, operation in of.items()]


def test_every_role_is_let_in_or_refused_as_described(
    connect: Connect, sqlite_url: str, sqlite_engines: Engines
) -> None:
    made = {role: manage_keys.create_key(sqlite_engines, role=role, holder=role, expires_at=None) for role in ROLES}
    headers = {role: {"Authorization": f"Bearer {key.key}"} for role, key in made.items()}
    found: dict[tuple[str, str], set[str]] = {}
    in_address: dict[tuple[str, str], int] = {}
    with connect(Settings(database_url=sqlite_url, requests_per_minute=100_000)) as client:
        described = operations(client, headers["admin"])
        for method, path, _ in described:
            noun = path.split("/")[2].replace("-", "_")
            if (method, path) == STARTS_A_FORECAST or noun in ALIKE:
                continue
            address = re.sub(r"\{[^}]*\}", "999", path)
            statuses = {role: client.request(method, address, headers=headers[role]).status_code for role in ROLES}
            if path.startswith("/v1/"):
                found[method, path] = {role for role, status in statuses.items() if status != REFUSED}
                key = {"key": str(made["sheet"].key), "format": "csv"}
                in_address[method, path] = client.request(method, address, params=key).status_code
    said = {(method, path): operation for method, path, operation in described if (method, path) in found}
    assert len(said) > 40
    assert [path for _, path, operation in described if ("security" in operation) != path.startswith("/v1/")] == []
    assert {at: roles_by_way(operation, "bearer") for at, operation in said.items()} == found
    assert {at for at, status in in_address.items() if status == 200} <= {
        at for at, operation in said.items() if roles_by_way(operation, "address") == {"sheet"}
    }
    assert {at for at, operation in said.items() if roles_by_way(operation, "address")} <= {
        at for at, status in in_address.items() if status != REFUSED
    }
    (run,) = [operation for method, path, operation in described if (method, path) == STARTS_A_FORECAST]
    assert roles_by_way(run, "bearer") == {"planner", "admin"}


def test_the_open_server_says_that_it_needs_no_key(sqlite_client: Client) -> None:
    description = sqlite_client.get("/schema/openapi.json").json()
    assert "securitySchemes" not in description["components"]
    assert all("security" not in operation for *_, operation in operations(sqlite_client, {}))
