"""What every answer has in common: a status of the contract, an id, headers that keep browsers in check."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient
from structlog.contextvars import merge_contextvars
from structlog.testing import capture_logs

from service.problem_kinds import KINDS
from service.settings import Settings

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]

GOOD = {200, 201, 202, 204, 304}
PROBLEMS = {400, 401, 403, 404, 406, 409, 412, 413, 415, 422, 428, 429, 500, 503}
JSON = {"Content-Type": "application/json"}
REFUSED: list[tuple[str, str, dict[str, str], bytes, int]] = [
    ("GET", "/v1/areas?limit=0", {}, b"", 400),
    ("GET", "/v1/areas?format=xml", {}, b"", 400),
    ("GET", "/v1/areas/U%00", {}, b"", 400),
    ("GET", "/v1/nothing", {}, b"", 404),
    ("GET", "/v1/areas/none", {}, b"", 404),
    ("GET", "/v1/areas", {"Accept": "image/png"}, b"", 406),
    ("GET", "/v1/areas/none", {"Accept": "text/csv"}, b"", 406),
    ("GET", "/v1/order-list", {}, b"", 409),
    ("POST", "/v1/areas", JSON, b"{", 400),
    ("POST", "/v1/areas", JSON, b" " * (2**20 + 1), 413),
    ("POST", "/v1/areas", {"Content-Type": "text/plain"}, b"x", 415),
    ("PATCH", "/v1/valves/none", JSON, b"{}", 428),
    ("DELETE", "/v1/valves/none", {}, b"", 428),
    ("PUT", "/v1/areas/none", JSON, b"{}", 405),
]


def test_only_statuses_of_the_contract_are_described(sqlite_client: Client) -> None:
    """405 alone stands outside: it is the answer to what is not described. A cell shows its errors as text."""
    description = sqlite_client.get("/schema/openapi.json").json()
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            statuses = {int(status) for status in operation["responses"]}
            assert statuses <= GOOD | PROBLEMS, (method, path, statuses)
            for status in statuses & PROBLEMS:
                said = list(operation["responses"][str(status)]["content"])
                assert said in (
                    [["application/problem+json"]]
                    if "/cell/" not in path
                    else [["text/plain"], ["application/problem+json"], ["text/plain", "application/problem+json"]]
                )


def test_every_kind_of_problem_has_a_status_of_the_contract() -> None:
    assert {kind.status for kind in KINDS.values()} == PROBLEMS | {405}


@pytest.mark.parametrize(("method", "path", "headers", "body", "status"), REFUSED)
def test_whatever_is_refused_is_a_problem_document(
    sqlite_client: Client, method: str, path: str, headers: dict[str, str], body: bytes, status: int
) -> None:
    answer = sqlite_client.request(method, path, headers=headers, content=body)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    problem = answer.json()
    assert problem["status"] == status
    assert problem["type"].removeprefix("/problems/") in KINDS
    assert problem["instance"] == path.partition("?")[0]
    assert "Traceback" not in answer.text
    assert "service." not in answer.text


def test_an_answer_has_the_id_of_its_request_and_so_has_its_log_line(sqlite_client: Client) -> None:
    with capture_logs(processors=[merge_contextvars]) as logs:
        given = sqlite_client.get("/v1/areas", headers={"X-Request-Id": "from.the-proxy_1"})
        made = [sqlite_client.get("/v1/areas", headers={"X-Request-Id": bad}) for bad in ("", "a b", "x" * 65)]
    assert given.headers["x-request-id"] == "from.the-proxy_1"
    ids = [answer.headers["x-request-id"] for answer in (given, *made)]
    assert len(set(ids)) == len(ids)
    assert [(line["request_id"], line["path"], line["status"]) for line in logs] == [
        (one, "/v1/areas", 200) for one in ids
    ]


@pytest.mark.parametrize("path", ["/v1/areas", "/v1/nothing", "/schema", "/health/live", "/problems/stale"])
def test_browsers_are_kept_in_check(sqlite_client: Client, path: str) -> None:
    headers = sqlite_client.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    policy = "default-src 'self'" if path in {"/schema", "/problems/stale"} else "default-src 'none'"
    assert headers["content-security-policy"].startswith(policy)


def test_what_is_true_now_is_not_kept_by_caches(sqlite_client: Client) -> None:
    assert sqlite_client.get("/v1/areas").headers["cache-control"] == "private, no-cache"


@pytest.mark.parametrize("path", ["/v1/areas", "/v1/keys", "/v1/runs", "/v1/export.zip"])
def test_every_get_is_tagged(sqlite_client: Client, path: str) -> None:
    answer = sqlite_client.get(path)
    assert answer.headers["etag"].startswith('W/"')
    again = sqlite_client.get(path, headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", answer.headers["etag"])
    sqlite_client.post("/v1/areas", json={"code": "U100"})
    assert sqlite_client.get(path, headers={"If-None-Match": answer.headers["etag"]}).status_code == 200


def test_head_of_a_record_has_the_tag_and_no_body(sqlite_client: Client) -> None:
    made = sqlite_client.post("/v1/areas", json={"code": "U100"})
    head = sqlite_client.head("/v1/areas/U100")
    assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", made.headers["etag"])
