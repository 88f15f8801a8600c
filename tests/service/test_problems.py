"""Problem documents: every error is one, and tells no more than it should."""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar import Litestar, get
from litestar.exceptions import InternalServerException, ServiceUnavailableException
from litestar.testing import TestClient
from litestar.types import HTTPScope
from structlog.testing import capture_logs

from forecasting.errors import ForecastingError, InfeasibleTarget, InsufficientData, InvalidInput, NoConvergence
from models.base import Busy, Conflict, NotFound, StorageError
from service import problems
from service.access_rules import Refusal
from service.callers import OPEN_ACCESS, Caller, Presented
from service.front_door import front_door
from service.problem_kinds import KIND_OF_STATUS, KINDS
from service.rate_limits import RateLimit
from service.settings import Settings

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]


def every_subclass(base: type[Exception]) -> set[type[Exception]]:
    return {base for child in base.__subclasses__() for base in {child, *every_subclass(child)}}


async def anyone(scope: HTTPScope, presented: Presented) -> Caller | Refusal:
    return OPEN_ACCESS


def answering(error: Exception) -> Client:
    """Connect to an application whose one page fails."""

    @get("/fails", sync_to_thread=False)
    def fail() -> None:
        raise error

    app = Litestar([fail], exception_handlers={Exception: problems.answer}, logging_config=None, openapi_config=None)
    return TestClient(front_door(app, rule=anyone, limit=RateLimit(1000)))


def test_every_error_of_the_numerics_and_of_the_record_has_a_status() -> None:
    assert set(problems.STATUS_OF) == every_subclass(ForecastingError) | every_subclass(StorageError)


@pytest.mark.parametrize(
    ("error", "status", "name"),
    [
        (InvalidInput("shape is -1; expected a positive number"), 400, "invalid-input"),
        (InsufficientData("no failures"), 409, "not-enough-data"),
        (NoConvergence("after 100 steps"), 409, "no-convergence"),
        (InfeasibleTarget("0.99999"), 409, "infeasible-target"),
        (NotFound("there is no valve FV-1"), 404, "not-found"),
        (Conflict("kit K-1 is in use"), 409, "conflict"),
        (Busy("the database is locked"), 503, "unavailable"),
        (ServiceUnavailableException("not migrated"), 503, "unavailable"),
    ],
)
def test_an_expected_error_is_told_in_its_own_words(error: Exception, status: int, name: str) -> None:
    with answering(error) as client:
        answer = client.get("/fails?key=secret")
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json() == {
        "type": f"/problems/{name}",
        "title": KINDS[name].title,
        "status": status,
        "detail": getattr(error, "detail", str(error)),
        "instance": "/fails",
    }


@pytest.mark.parametrize("error", [ZeroDivisionError("half of nothing"), InternalServerException("half of nothing")])
def test_an_unexpected_error_is_logged_with_its_traceback_and_told_to_nobody(error: Exception) -> None:
    with answering(error) as client, capture_logs() as logs:
        answer = client.get("/fails?key=secret")
    assert answer.status_code == 500
    assert answer.json() == {
        "type": "/problems/internal-error",
        "title": "The service failed.",
        "status": 500,
        "detail": "The fault was logged.",
        "instance": "/fails",
    }
    assert [(entry["event"], entry["log_level"], entry["path"]) for entry in logs] == [
        ("unhandled error", "error", "/fails"),
        ("request", "info", "/fails"),
    ]
    assert logs[0]["exc_info"].__traceback__ is not None
    assert "secret" not in str(logs)


def test_a_locked_database_is_unavailable_for_now(
    sqlite_url: str, connect: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.engine.PRAGMAS", ("busy_timeout=50", "journal_mode=WAL"))
    holder = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"))
    holder.execute("BEGIN IMMEDIATE")
    with connect(Settings(database_url=sqlite_url, access="open")) as client, capture_logs() as logs:
        answer = client.post("/v1/runs")
    holder.close()
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    assert answer.json()["detail"] == "the database is locked by another writer"
    assert [(entry["event"], entry["path"]) for entry in logs] == [
        ("unavailable", "/v1/runs"),
        ("request", "/v1/runs"),
    ]


def test_a_database_that_cannot_be_reached_is_unavailable_and_the_server_lives(connect: Connect) -> None:
    settings = Settings(database_url="postgresql://nobody@127.0.0.1:1/nothing", access="open")
    with capture_logs(), connect(settings) as client:
        answers = [client.get(path) for path in ("/health/live", "/health/ready", "/v1/runs")]
    assert [answer.status_code for answer in answers] == [200, 503, 503]
    assert answers[2].json()["detail"] == "The database is busy or can't be reached."


def test_a_database_without_tables_is_not_ready(empty_database_url: str, connect: Connect) -> None:
    with connect(Settings(database_url=empty_database_url, access="open")) as client, capture_logs():
        answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["detail"] == "The database is not migrated; run: valve-kits migrate"


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_kind_of_problem_has_a_page(sqlite_client: Client, name: str) -> None:
    answer = sqlite_client.get(f"/problems/{name}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "<title>" in answer.text


def test_a_problem_of_no_known_kind_has_no_page(sqlite_client: Client) -> None:
    answer = sqlite_client.get("/problems/nonsense")
    assert (answer.status_code, answer.json()["detail"]) == (404, "There is no problem of that name.")


def test_one_kind_stands_for_each_status() -> None:
    assert all(kind.status == status for status, kind in KIND_OF_STATUS.items())


def test_a_method_that_does_not_apply_is_told_which_do(sqlite_client: Client) -> None:
    answer = sqlite_client.delete("/v1/order-list")
    assert (answer.status_code, answer.json()["type"]) == (405, "/problems/method-not-allowed")
    assert "GET" in answer.headers["allow"]


@pytest.mark.parametrize(
    ("query", "error"),
    [
        ("limit=0", {"parameter": "limit", "value": "0", "expected": "a whole number, at least 1, at most 1000"}),
        ("limit=many", {"parameter": "limit", "value": "many", "expected": "a whole number, at least 1, at most 1000"}),
        ("format=xml", {"parameter": "format", "value": "xml", "expected": "csv, json or xlsx"}),
        (
            "cursor=-1",
            {"parameter": "cursor", "value": "-1", "expected": "a whole number, at least 0, at most 2147483647"},
        ),
    ],
)
def test_a_query_that_breaks_the_contract_is_pointed_at(
    sqlite_client: Client, query: str, error: dict[str, str]
) -> None:
    answer = sqlite_client.get(f"/v1/runs?{query}")
    assert answer.status_code == 400
    assert answer.json()["errors"] == [error]
    assert answer.json()["instance"] == "/v1/runs"


def test_a_body_that_is_no_json_is_refused(sqlite_client: Client) -> None:
    answer = sqlite_client.post("/v1/runs", content=b"{", headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/invalid-input")
