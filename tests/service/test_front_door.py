"""Who is let in, and how an address is read."""

from typing import Any

import pytest
from litestar.testing import TestClient

from forecasting.errors import InvalidInput
from models.engine import Engines
from service.access_rules import is_loopback
from service.app import create_app
from service.server import serve
from service.settings import Settings

Client = TestClient[Any]


@pytest.fixture
def closed_client(sqlite_url: str) -> Any:
    with TestClient(create_app(Settings(database_url=sqlite_url)), base_url="http://kits.example.com") as client:
        yield client


@pytest.mark.parametrize("path", ["/v1/order-list", "/v1/runs", "/schema", "/", "/v1/nothing", "/health", "/healthy"])
def test_without_open_nobody_is_let_in(closed_client: Client, path: str) -> None:
    answer = closed_client.get(path)
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json() == {
        "type": "/problems/key-required",
        "title": "A key is needed.",
        "status": 401,
        "detail": "The request carries no key: Authorization: Bearer KEY.",
        "instance": path,
    }


def test_loopback_is_not_a_credential(sqlite_url: str) -> None:
    with TestClient(create_app(Settings(database_url=sqlite_url)), base_url="http://127.0.0.1:8000") as client:
        assert client.get("/v1/runs").status_code == 401
        assert client.post("/v1/runs").status_code == 401


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/problems/key-required"])
def test_health_and_what_problems_mean_are_public(closed_client: Client, path: str) -> None:
    assert closed_client.get(path).status_code == 200


@pytest.mark.parametrize("path", ["/health%2F..%2Fv1/runs", "/%68ealth/../v1/runs", "/health/../v1/runs"])
def test_no_spelling_of_a_public_path_leads_to_another(closed_client: Client, path: str) -> None:
    assert closed_client.get(path).status_code in {401, 404}


@pytest.mark.parametrize(
    "header", ["Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "x-forwarded-proto", "X-Real-IP", "Via"]
)
def test_the_open_server_refuses_what_was_forwarded(sqlite_client: Client, header: str) -> None:
    answer = sqlite_client.get("/v1/runs", headers={header: "192.0.2.7"})
    assert answer.status_code == 403
    assert answer.json()["type"] == "/problems/refused"
    assert answer.json()["detail"] == f"The header {header.lower()} says that the request was forwarded."


@pytest.mark.parametrize("host", ["kits.example.com:8000", "127.0.0.1", "127.0.0.1:8001", "localhost.example.com:8000"])
def test_the_open_server_refuses_a_foreign_host(sqlite_client: Client, host: str) -> None:
    answer = sqlite_client.get("/health/live", headers={"Host": host})
    assert answer.status_code == 403
    assert answer.json()["detail"] == "The Host header does not name this computer itself."


@pytest.mark.parametrize("origin", ["https://kits.example.com", "http://127.0.0.1:8001", "null"])
def test_the_open_server_refuses_what_the_page_of_another_site_sends(sqlite_client: Client, origin: str) -> None:
    """A form needs no leave from its browser to post here."""
    files = {"file": ("valves.csv", "tag\nFV-1\n")}
    answer = sqlite_client.post("/v1/imports/valves", files=files, headers={"Origin": origin})
    assert answer.status_code == 403
    assert answer.json()["detail"] == "The Origin header names the page of another site."


def test_the_open_server_answers_its_own_pages(sqlite_client: Client) -> None:
    assert sqlite_client.post("/v1/runs", headers={"Origin": "http://localhost:8000"}).status_code == 202


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "LOCALHOST:8000", "[::1]:8000"])
def test_the_open_server_knows_its_own_names(sqlite_client: Client, host: str) -> None:
    assert sqlite_client.get("/health/live", headers={"Host": host}).status_code == 200


def test_the_port_may_be_left_out_of_the_host_where_it_is_the_usual_one(sqlite_url: str) -> None:
    settings = Settings(database_url=sqlite_url, access="open", port=80)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        assert client.get("/health/live", headers={"Host": "localhost"}).status_code == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "kits.example.com"])
def test_open_access_is_not_served_to_other_computers(host: str) -> None:
    settings = Settings(database_url="sqlite://", access="open")
    with pytest.raises(InvalidInput, match=f"--host is {host}, expected 127.0.0.1, ::1 or localhost"):
        serve(settings, host=host)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.8.8", "::1"])
def test_loopback_addresses_are_known(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize(
    ("path", "status"), [("/v1/runs", 200), ("/v1/order-list", 409), ("/v1/nothing", 404), ("/health/live", 200)]
)
def test_head_is_answered_as_get_without_a_body(sqlite_client: Client, path: str, status: int) -> None:
    named = {"X-Request-Id": "same"}
    head, get = sqlite_client.head(path, headers=named), sqlite_client.get(path, headers=named)
    assert (head.status_code, head.content) == (status, b"")
    assert dict(head.headers) == dict(get.headers)


def test_a_refusal_of_head_has_no_body(closed_client: Client) -> None:
    answer = closed_client.head("/v1/runs")
    assert (answer.status_code, answer.content) == (401, b"")


@pytest.mark.parametrize("path", ["/v1/valves/FV%00/kit-needs", "/v1/demand?kit=%00"])
def test_an_address_with_a_nul_character_is_refused(client: Client, engines: Engines, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/invalid-input")


@pytest.mark.parametrize(
    ("written", "code"),
    [("A%2FB", "A/B"), ("a%20b%2Fc", "a b/c"), ("%C3%A9%25", "é%"), ("A+B", "A+B"), ("%252F", "%2F")],
)
def test_a_code_in_a_path_is_decoded_once(
    sqlite_client: Client, finish_run: Any, sqlite_engines: Engines, written: str, code: str
) -> None:
    run = finish_run(sqlite_engines)
    for _ in range(2):  # the router remembers paths; the second answer must be the first
        answer = sqlite_client.get(f"/v1/reorder-points/{written}/{written}")
        assert answer.json()["detail"] == f"run {run} has no reorder point for kit {code} in storeroom {code}"
        assert answer.json()["instance"] == f"/v1/reorder-points/{written}/{written}"
