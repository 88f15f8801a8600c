"""Idempotency-Key: a request sent twice is done once and answered twice."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from service.repeats import GIVEN_UP_AFTER, KEPT_FOR
from service.settings import now
from service.use_cases import change_records
from tests.database_dump import dump

Client = TestClient[Any]
FIRST = {"Idempotency-Key": "9b1c"}
CSV = {"Content-Type": "text/csv"}


def test_the_same_request_gets_the_same_answer_and_is_done_once(client: Client) -> None:
    first = client.post("/v1/areas", json={"code": "U100"}, headers=FIRST)
    again = client.post("/v1/areas", json={"code": "U100"}, headers=FIRST)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert first.headers["location"] == again.headers["location"]
    assert ("idempotency-replayed" in first.headers, again.headers["idempotency-replayed"]) == (False, "true")
    assert client.post("/v1/areas", json={"code": "U100"}).status_code == 409
    assert len(client.get("/v1/audit").json()["value"]) == 1


def test_a_refusal_is_kept_too(client: Client) -> None:
    first = client.post("/v1/areas", json={"code": "a|b"}, headers=FIRST)
    again = client.post("/v1/areas", json={"code": "a|b"}, headers=FIRST)
    assert (first.status_code, first.json()) == (again.status_code, again.json())
    assert again.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("path", "body"),
    [("/v1/areas", {"code": "U200"}), ("/v1/designs", {"code": "U100"}), ("/v1/areas?x=1", {"code": "U100"})],
)
def test_another_request_under_the_same_key_is_refused(client: Client, path: str, body: dict[str, str]) -> None:
    client.post("/v1/areas", json={"code": "U100"}, headers=FIRST)
    other = client.post(path, json=body, headers=FIRST)
    assert (other.status_code, other.json()["type"]) == (422, "/problems/repeated-differently")


def test_an_import_is_done_once(client: Client) -> None:
    file = "tag\n" + "\n".join(f"V-{number}" for number in range(20_000))
    for _ in range(2):
        answer = client.post("/v1/imports/valves", content=file, headers={**CSV, **FIRST})
        assert answer.json()["files"][0]["created"] == 20_000
    assert client.post("/v1/imports/valves", content=file, headers=CSV).json()["files"][0]["unchanged"] == 20_000


def test_a_request_that_is_being_answered_is_not_begun_again(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    began, go_on = Barrier(2), Barrier(2)
    create = change_records.create_record

    def create_slowly(*arguments: Any, **more: Any) -> Any:
        began.wait(10)
        go_on.wait(10)
        return create(*arguments, **more)

    monkeypatch.setattr(change_records, "create_record", create_slowly)
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(client.post, "/v1/areas", json={"code": "U100"}, headers=FIRST)
        began.wait(10)
        second = client.post("/v1/areas", json={"code": "U100"}, headers=FIRST)
        go_on.wait(10)
    assert (second.status_code, second.json()["type"]) == (409, "/problems/conflict")
    assert first.result().status_code == 201


def test_what_failed_on_our_side_may_be_tried_again(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(change_records, "create_record", None)
        assert client.post("/v1/areas", json={"code": "U100"}, headers=FIRST).status_code == 500
    assert client.post("/v1/areas", json={"code": "U100"}, headers=FIRST).status_code == 201


def test_an_answer_is_kept_for_a_day_and_a_dead_request_for_minutes(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.post("/v1/areas", json={"code": "U100"}, headers=FIRST)
    for age, status in ((GIVEN_UP_AFTER + timedelta(minutes=1), 201), (KEPT_FOR + timedelta(minutes=1), 409)):
        later = now() + age
        monkeypatch.setattr("service.repeats.now", lambda later=later: later)
        assert client.post("/v1/areas", json={"code": "U100"}, headers=FIRST).status_code == status


@pytest.mark.parametrize("name", ["", "a b", "x" * 256])
def test_a_key_that_is_none_is_refused(sqlite_client: Client, name: str) -> None:
    answer = sqlite_client.post("/v1/areas", json={"code": "U100"}, headers={"Idempotency-Key": name})
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/invalid-input")


def test_a_body_that_is_too_large_is_not_spooled(sqlite_client: Client) -> None:
    answer = sqlite_client.post(
        "/v1/areas", content=b" " * (2**20 + 1), headers={**FIRST, "Content-Type": "application/json"}
    )
    assert answer.status_code == 413


def test_a_key_shown_once_is_not_kept(client: Client, engines: Engines) -> None:
    wanted = {"role": "reader", "holder": "Ines Example"}
    first = client.post("/v1/keys", json=wanted, headers=FIRST)
    again = client.post("/v1/keys", json=wanted, headers=FIRST)
    assert first.json() == {**again.json(), "key": first.json()["key"]}
    assert "key" not in again.json()
    assert first.json()["key"] not in str(dump(engines))


def test_a_long_answer_is_compressed_for_those_who_can_read_it(client: Client) -> None:
    for number in range(30):
        client.post("/v1/areas", json={"code": f"U{number}"})
    plain = client.get("/v1/areas", headers={"Accept-Encoding": "identity"})
    packed = client.get("/v1/areas", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.json() == plain.json()
    assert packed.headers["etag"] == plain.headers["etag"]
    known = {"Accept-Encoding": "gzip", "If-None-Match": packed.headers["etag"]}
    assert client.get("/v1/areas", headers=known).status_code == 304
