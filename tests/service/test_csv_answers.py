"""Lists as CSV: whole files, byte for byte."""

from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from litestar.testing import TestClient
from openpyxl import load_workbook

from models.engine import Engines
from models.queries.facts import INVENTED_PLANT, set_fact
from service.db import write_session

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]

ORDER_LIST = (
    "storeroom,kit,position,reorder_point,order_quantity,order_by,cost,reason,overdue_qty,unit_cost,status,method,"
    "action,present_reorder_point,usable_on_hand,unfilled,reserved,on_order_counted,on_order_late,accepted_qty,"
    "stock_out_on,elsewhere,turnaround\r\n"
    "MAIN,K/2,0,1,1,2026-02-01,,'=late; was to be ordered a month ago,0,,computed,plug-in,order,,,,,,,0,,,\r\n"
    "MAIN,K-3,5,1,0,,,an order of 2 is overdue,2,,computed,plug-in,accepted_not_ordered|chase_overdue,"
    ",2,0,1,2,3,2,2027-03-04,NORTH:2|SOUTH:1,\r\n"
    "MAIN,K-1,2,3,4,2026-04-01,4802.00,position 2 is at or below reorder point 3,0,1200.50,computed,plug-in,"
    "order,2,3,,1,0,0,0,,,\r\n"
)
DEMAND_WITH_DECIMAL_COMMAS = (
    "\ufeffkit;starts_on;ends_on;mean;p10;p50;p80;p90;p95;unplanned_mean;planned_mean;turnaround_mean;"
    "area;bucket;status;reason;method;storeroom;service_class\r\n"
    "K-1;2026-03-01;2026-03-31;0,666667;0;1;2;3;3;0,666667;0,0;0,0;;month;computed;;plug-in;;\r\n"
)
HEADERS = {
    "failure-models": "service_class,maintainable_item,family,scale_days,shape,mle_scale_days,mle_shape,failures,"
    "lives,mean_days,b10_days,pool_share,status,reason,method,interval_level,mle_scale_days_lower,mle_scale_days_upper,"
    "mle_shape_lower,mle_shape_upper",
    "demand": "kit,starts_on,ends_on,mean,p10,p50,p80,p90,p95,unplanned_mean,planned_mean,turnaround_mean,"
    "area,bucket,status,reason,method,storeroom,service_class",
    "reorder-points": "storeroom,kit,reorder_point,order_quantity,protection_interval_days,target,"
    "cycle_service_level,fill_rate,present_reorder_point,rule,position,proposed_quantity,order_by,unit_cost,cost,"
    "status,reason,method",
    "valves/FV-102/kit-needs": "tag,kit,maintainable_item,p_30,p_90,p_365,mean_protection,mean_365,service_class,"
    "storeroom,age_days,policy,method,p_before_turnaround,next_turnaround_on",
    "data-findings": "kind,file,record_key,detail,treatment,effect,id,tag,lives_lost,scale_change,"
    "kits_per_year_change,effect_reason,decision,reason,closed_by,closed_at",
    "runs": "id,as_of,status,requested_at,started_at,finished_at,input_digest,code_version,horizon_ends_on,method,"
    "error,stage",
}


def test_the_order_list_is_a_whole_file(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    answer = client.get("/v1/order-list", headers={"Accept": "text/csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="order-list.csv"'
    assert answer.headers["vary"].split(",")[0] == "Accept"
    assert answer.content.decode() == ORDER_LIST


def test_a_spreadsheet_with_decimal_commas_can_read_a_list(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    answer = sqlite_client.get("/v1/demand?format=csv&dialect=semicolon")
    assert answer.content.decode() == DEMAND_WITH_DECIMAL_COMMAS


@pytest.mark.parametrize(("path", "header"), HEADERS.items())
def test_the_columns_of_every_list_are_those_of_the_contract_then_further_ones(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, path: str, header: str
) -> None:
    finish_run(sqlite_engines)
    assert sqlite_client.get(f"/v1/{path}?format=csv").text.splitlines()[0] == header


def test_the_last_column_says_that_the_plant_is_invented(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(sqlite_engines)
    with write_session(sqlite_engines) as session:
        set_fact(session, INVENTED_PLANT, "invented plant")
    lines = sqlite_client.get("/v1/order-list?format=csv").text.splitlines()
    assert [line.rpartition(",")[2] for line in lines] == ["notice", *["invented plant"] * 3]


def test_csv_is_in_parts_only_if_a_limit_is_set(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun
) -> None:
    run = finish_run(sqlite_engines)
    answer = sqlite_client.get("/v1/order-list?format=csv&limit=2")
    assert answer.text.splitlines() == ORDER_LIST.splitlines()[:3]
    following = f"/v1/order-list?format=csv&limit=2&cursor=3&run={run}"
    assert answer.headers["link"] == f'<{following}>; rel="next"'
    assert sqlite_client.get(following).text.splitlines()[1:] == ORDER_LIST.splitlines()[3:]


@pytest.mark.parametrize(
    ("accept", "content_type"),
    [
        (None, "application/json"),
        ("*/*", "application/json"),
        ("text/html,application/xhtml+xml,*/*;q=0.8", "application/json"),
        ("text/csv;q=0.5,application/json;q=0.4", "text/csv; charset=utf-8"),
        ("text/*", "text/csv; charset=utf-8"),
    ],
)
def test_the_accept_header_chooses(sqlite_client: Client, accept: str | None, content_type: str) -> None:
    headers = {} if accept is None else {"Accept": accept}
    assert sqlite_client.get("/v1/runs", headers=headers).headers["content-type"] == content_type


def test_a_format_in_the_address_overrides_the_accept_header(sqlite_client: Client) -> None:
    answer = sqlite_client.get("/v1/runs?format=json", headers={"Accept": "text/csv"})
    assert answer.headers["content-type"] == "application/json"


@pytest.mark.parametrize(
    ("path", "detail"),
    [
        ("/v1/runs", "Lists are given as application/json, text/csv or .xlsx."),
        ("/v1/runs/latest", "This is given as application/json only."),
    ],
)
def test_another_format_is_not_acceptable(sqlite_client: Client, path: str, detail: str) -> None:
    answer = sqlite_client.get(path, headers={"Accept": "image/png"})
    assert answer.status_code == 406
    assert answer.json() == {
        "type": "/problems/not-acceptable",
        "title": "The answer exists in none of the wanted formats.",
        "status": 406,
        "detail": detail,
        "instance": path,
    }


def test_a_list_may_leave_as_a_workbook(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    """The same columns and rows; numbers as numbers."""
    finish_run(engines)
    answer = client.get("/v1/reorder-points?format=xlsx")
    assert answer.headers["content-disposition"] == 'attachment; filename="reorder-points.xlsx"'
    header, first, *_ = load_workbook(BytesIO(answer.content)).worksheets[0].iter_rows(values_only=True)
    row = dict(zip(header, first, strict=True))
    assert (row["kit"], row["reorder_point"], row["cycle_service_level"]) == ("K-1", 3, 0.961235)
    text = client.get("/v1/reorder-points?format=csv").text
    assert list(header) == text.splitlines()[0].split(",")
