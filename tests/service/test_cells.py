"""One number in a cell: as text, with the mark of its spreadsheet, and what it says when there is none."""

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from service.settings import Settings
from service.use_cases import manage_keys
from tests.service.stored_plan import store_plan

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
K1 = "storeroom=MAIN&kit=K-1"


@pytest.mark.parametrize(
    ("address", "shown"),
    [
        (f"reorder-point?{K1}", "3"),
        (f"order-quantity?{K1}", "4"),
        (f"position?{K1}", "2"),
        ("position?storeroom=main&kit=k%2F2", "0"),
        ("demand-mean?kit=K-1", "8.0"),
        ("demand-p90?kit=K-1", "3"),
        ("demand-mean?kit=K-1&bucket=month", "0.666667"),
        ("demand-mean?kit=K-1&bucket=month&dialect=semicolon", "0,666667"),
        ("demand-mean?kit=K-1&bucket=month&area=U100", "0.333333"),
        ("reorder-point?storeroom=MAIN&kit=K-4", "unknown: its lead time is not known"),
        ("turnaround-budget?turnaround=ta-1", "38000"),
        ("turnaround-budget?turnaround=TA-1&percentile=95", "39500"),
    ],
)
def test_a_cell_is_one_number_of_the_run(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, address: str, shown: str
) -> None:
    """The numbers are those the run was stored with, in 6 significant digits."""
    run = finish_run(sqlite_engines)
    store_plan(sqlite_engines, "TA-1")
    answer = sqlite_client.get(f"/v1/cell/{address}")
    assert (answer.status_code, answer.text) == (200, shown)
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert (answer.headers["x-run"], answer.headers["x-as-of"]) == (str(run), "2026-03-01")
    assert (
        sqlite_client.get(f"/v1/cell/{address}", headers={"If-None-Match": answer.headers["etag"]}).status_code == 304
    )


@pytest.mark.parametrize(
    ("address", "status", "said"),
    [
        ("reorder-point?kit=K-1", 400, "storeroom is missing: add storeroom=CODE to the address"),
        ("position?storeroom=MAIN", 400, "kit is missing: add kit=CODE to the address"),
        ("demand-mean", 400, "kit is missing: add kit=CODE to the address"),
        ("demand-mean?kit=K-1&starts_on=2026-03-01", 400, "starts_on and ends_on go together"),
        ("demand-mean?kit=K-1&starts_on=yesterday&ends_on=2026-03-31", 400, "Something is not as expected. starts_on"),
        ("demand-mean?kit=K-9", 404, "the run has no demand of K-9 there and then"),
        ("reorder-point?storeroom=MAIN&kit=K-9", 404, "the run has no reorder point for MAIN, K-9"),
        ("demand-p99?kit=K-1", 400, "Something is not as expected. measure: "),
        ("demand-p90?kit=K-1&run=77", 404, "there is no run 77"),
        ("turnaround-budget", 400, "turnaround is missing: add turnaround=CODE to the address"),
        ("turnaround-budget?turnaround=TA-9", 404, "there is no turnaround TA-9"),
        ("turnaround-budget?turnaround=TA-9&percentile=100", 400, "Something is not as expected. percentile"),
    ],
)
def test_what_is_wrong_is_a_line_of_text_with_its_status(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, address: str, status: int, said: str
) -> None:
    finish_run(sqlite_engines)
    answer = sqlite_client.get(f"/v1/cell/{address}")
    assert (answer.status_code, answer.headers["content-type"]) == (status, "text/plain; charset=utf-8")
    assert answer.text.startswith(f"valve-kits: {said}")
    assert "\n" not in answer.text


def test_before_the_first_run_a_cell_says_what_to_do(client: Client) -> None:
    answer = client.get(f"/v1/cell/position?{K1}")
    assert (answer.status_code, answer.text) == (
        409,
        "valve-kits: not enough data: no run has finished yet; POST /v1/runs",
    )


def test_who_reads_no_text_gets_no_cell(sqlite_client: Client) -> None:
    answer = sqlite_client.get(f"/v1/cell/position?{K1}", headers={"Accept": "application/json"})
    assert (answer.status_code, answer.text) == (406, "valve-kits: A cell is given as text/plain only.")


def test_a_key_in_the_address_of_a_cell_is_one_for_sheets_and_is_not_logged(
    connect: Callable[[Settings], AbstractContextManager[Client]],
    sqlite_url: str,
    sqlite_engines: Engines,
    finish_run: FinishRun,
    capsys: pytest.CaptureFixture[str],
) -> None:
    finish_run(sqlite_engines)
    keys = {
        role: str(manage_keys.create_key(sqlite_engines, role=role, holder=role, expires_at=None).key)
        for role in ("sheet", "reader", "admin")
    }
    with connect(Settings(database_url=sqlite_url)) as client:
        statuses = {role: client.get(f"/v1/cell/position?{K1}&key={key}").status_code for role, key in keys.items()}
        assert client.get(f"/v1/cell/position?{K1}").status_code == 401
        wrong = client.get(f"/v1/cell/nothing?key={keys['sheet']}")
    assert statuses == {"sheet": 200, "reader": 403, "admin": 403}
    logged = capsys.readouterr()
    said = logged.out + logged.err + wrong.text
    assert not any(re.search(re.escape(key), said) for key in keys.values())
    assert "/v1/cell/position" in logged.out + logged.err
