"""The forecast as a workbook: cells of their type, and the same numbers as over HTTP."""

from collections.abc import Callable
from datetime import datetime
from io import BytesIO
from typing import Any

import pytest
from litestar.testing import TestClient
from openpyxl import load_workbook

from models.engine import Engines
from models.queries.facts import INVENTED_PLANT, set_fact
from service.db import write_session
from tests.service.stored_plan import store_plan

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]


def opened(client: Client, address: str) -> Any:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return load_workbook(BytesIO(answer.content))


def test_the_workbook_holds_the_lists_as_typed_cells(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    book = opened(client, "/v1/workbook.xlsx")
    assert book.sheetnames == ["Order list", "Demand", "Kits by month", "About"]
    sheet = book["Order list"]
    header, first, *_ = list(sheet.iter_rows(values_only=True))
    line = dict(zip(header, first, strict=True))
    told = {**client.get("/v1/order-list").json()["value"][0]}
    assert (line["kit"], line["position"], line["reason"]) == (told["kit"], told["position"], f"'{told['reason']}")
    assert isinstance(line["order_by"], datetime)
    assert line["order_by"].date().isoformat() == told["order_by"]
    costs = {row[1].value: row[header.index("cost")] for row in sheet.iter_rows(min_row=2)}
    assert (costs["K-1"].value, costs["K-1"].number_format) == (4802, "#,##0.00")
    assert (sheet.freeze_panes, book["Demand"].freeze_panes) == ("A2", "A2")
    about = dict(book["About"].iter_rows(values_only=True))
    assert (about["run"], about["as_of"].date().isoformat()) == (run, "2026-03-01")


def test_expected_kits_by_month_are_added_up_in_a_chart(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    """The run holds 2/3 of a kit in March 2026, all of it unplanned."""
    finish_run(sqlite_engines)
    sheet = opened(sqlite_client, "/v1/workbook.xlsx")["Kits by month"]
    assert [cell.value for cell in sheet["B"]] == ["unplanned", "=SUMIFS(Demand!$J$2:$J$2, Demand!$B$2:$B$2, $A2)"]
    assert len(sheet._charts) == 1
    values = load_workbook(BytesIO(sqlite_client.get("/v1/workbook.xlsx").content), data_only=True)["Kits by month"]
    assert [cell.value for cell in values["B"]] == ["unplanned", 0.666667]


def test_the_same_run_is_the_same_workbook(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    assert sqlite_client.get("/v1/workbook.xlsx").content == sqlite_client.get("/v1/workbook.xlsx").content


def test_an_invented_plant_says_so_in_its_workbooks(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    with write_session(sqlite_engines) as session:
        set_fact(session, INVENTED_PLANT, "invented plant: order nothing by it")
    book = opened(sqlite_client, "/v1/workbook.xlsx")
    said = {cell.value for name in ("Order list", "Demand", "About") for row in book[name]["A2:Z2"] for cell in row}
    assert "invented plant: order nothing by it" in said
    assert [sheet["A1"].parent.title for sheet in book if "notice" in {c.value for c in sheet[1]}] == [
        "Order list",
        "Demand",
        "About",
    ]
    sample = opened(sqlite_client, "/v1/sample-workbook.xlsx")["Cells"]
    assert sample["B3"].value == "invented plant: order nothing by it"


@pytest.mark.parametrize(("dialect", "mark"), [("comma", "."), ("semicolon", ",")])
def test_the_sample_asks_this_server(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, dialect: str, mark: str
) -> None:
    finish_run(sqlite_engines)
    sheet = opened(sqlite_client, f"/v1/sample-workbook.xlsx?dialect={dialect}")["Cells"]
    assert (sheet["B1"].value, sheet["A6"].value, sheet["B7"].value) == ("http://127.0.0.1:8000", "MAIN", "K/2")
    assert sheet["C6"].value.startswith('=IFERROR(_xlfn.NUMBERVALUE(_xlfn.WEBSERVICE($B$1&"/v1/cell/position"&')
    assert f'&dialect={dialect}"' in sheet["C6"].value
    assert f'),"{mark}")' in sheet["G6"].value


@pytest.mark.parametrize("path", ["workbook.xlsx", "sample-workbook.xlsx"])
def test_without_a_run_there_is_no_workbook(sqlite_client: Client, path: str) -> None:
    answer = sqlite_client.get(f"/v1/{path}")
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/not-enough-data")


def test_budgets_of_turnarounds_are_a_sheet_of_their_own(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    store_plan(sqlite_engines, "TA-1")
    book = opened(sqlite_client, "/v1/workbook.xlsx")
    assert book.sheetnames == ["Order list", "Demand", "Kits by month", "Turnaround budgets", "About"]
    header, *rows = book["Turnaround budgets"].iter_rows(values_only=True)
    lines = [dict(zip(header, row, strict=True)) for row in rows]
    assert [(line["turnaround"], line["line"], line["mean"]) for line in lines] == [
        ("TA-1", "planned", 30_000),
        ("TA-1", "emergent", 4_000),
        ("TA-1", "total", 34_000),
        ("TA-1", "total_with_prices_and_hours", 34_000),
    ]
    assert (lines[0]["base_estimate"], lines[0]["contingency_percentile"], lines[0]["contingency"]) == (
        30_000,
        80,
        8_000,
    )
    assert lines[0]["starts_on"].date().isoformat() == "2026-10-04"
