"""Files of the record over HTTP."""

from collections.abc import Callable
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.queries import records
from models.queries.facts import INVENTED_PLANT, set_fact
from service.db import read_session, write_session
from service.settings import Settings
from service.workbook_tables import write_workbook

Client = TestClient[Any]

VALVES = "tag,design,service_class,area,installed_on\nFV-1,GLOBE-2,wet CO2,U100,2015-01-01\n"
CSV = {"Content-Type": "text/csv"}
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def valves(engines: Engines) -> list[str]:
    with read_session(engines) as session:
        return [row["tag"] for row in records.read_all(session, "valves")]


def test_a_file_is_imported_and_what_it_names_is_listed(client: Client, engines: Engines) -> None:
    answer = client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    assert answer.status_code == 200
    assert answer.json() == {
        "dry_run": False,
        "files": [{"file": "valves", "created": 1, "changed": 0, "unchanged": 0}],
        "named_but_not_described": {"designs": ["GLOBE-2"], "service_classes": ["wet CO2"], "areas": ["U100"]},
    }
    assert valves(engines) == ["FV-1"]


def test_the_same_file_twice_changes_nothing(sqlite_client: Client) -> None:
    sqlite_client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    answer = sqlite_client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    assert answer.json()["files"] == [{"file": "valves", "created": 0, "changed": 0, "unchanged": 1}]


def test_a_dry_run_stores_nothing(client: Client, engines: Engines) -> None:
    answer = client.post("/v1/imports/valves?dry_run=true", content=VALVES, headers=CSV)
    assert (answer.status_code, answer.json()["dry_run"]) == (200, True)
    assert answer.json()["files"][0]["created"] == 1
    assert valves(engines) == []


def test_a_file_may_come_as_a_form(sqlite_client: Client, sqlite_engines: Engines) -> None:
    answer = sqlite_client.post("/v1/imports/valves", files={"any": ("my valves.csv", VALVES, "text/csv")})
    assert answer.status_code == 200
    assert valves(sqlite_engines) == ["FV-1"]


@pytest.mark.parametrize(("dates", "day"), [("dmy", "2015-02-01"), ("mdy", "2015-01-02")])
def test_the_order_of_day_and_month_is_declared(
    sqlite_client: Client, sqlite_engines: Engines, dates: str, day: str
) -> None:
    local = VALVES.replace("2015-01-01", "01/02/2015")
    answer = sqlite_client.post(f"/v1/imports/valves?dates={dates}", content=local, headers=CSV)
    assert answer.status_code == 200
    with read_session(sqlite_engines) as session:
        assert next(records.read_all(session, "valves"))["installed_on"] == day


def test_an_order_of_day_and_month_that_nobody_knows_is_refused(sqlite_client: Client) -> None:
    answer = sqlite_client.post("/v1/imports/valves?dates=ymd", content=VALVES, headers=CSV)
    assert (answer.status_code, answer.json()["errors"][0]["parameter"]) == (400, "dates")


def test_a_workbook_is_imported_by_its_kind_or_as_a_form(sqlite_client: Client, sqlite_engines: Engines) -> None:
    rows = [{"tag": "0071", "installed_on": "2015-01-01"}]
    with write_workbook(["tag", "installed_on"], rows, days=["installed_on"]) as file:
        book = file.read()
    answer = sqlite_client.post("/v1/imports/valves", content=book, headers={"Content-Type": WORKBOOK})
    assert answer.json()["files"][0]["created"] == 1
    answer = sqlite_client.post("/v1/imports/valves", files={"any": ("my valves.xlsx", book)})
    assert answer.json()["files"][0]["unchanged"] == 1
    assert valves(sqlite_engines) == ["0071"]


def test_a_form_with_two_files_is_refused(sqlite_client: Client) -> None:
    answer = sqlite_client.post("/v1/imports/valves", files={"one": ("a.csv", VALVES), "two": ("b.csv", VALVES)})
    assert answer.status_code == 400
    assert answer.json()["detail"] == "The form holds 2 files; expected one."


@pytest.mark.parametrize("suffix", ["", "?dry_run=true"])
def test_a_bad_line_is_told_with_its_place_and_nothing_is_stored(client: Client, engines: Engines, suffix: str) -> None:
    bad = VALVES + "FV-2,GLOBE-2,wet CO2,U100,01.02.2015\n"
    answer = client.post(f"/v1/imports/valves{suffix}", content=bad, headers=CSV)
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert (problem["type"], problem["title"]) == ("/problems/import-rejected", "The file was not imported.")
    assert problem["instance"] == "/v1/imports/valves"
    assert problem["errors"] == [
        {
            "file": "valves.csv",
            "line": 3,
            "column": "installed_on",
            "value": "01.02.2015",
            "expected": "a date like 2017-04-30, 2017-04 or 2017; "
            "which number is the day is not guessed: declare dates=dmy or dates=mdy",
        }
    ]
    assert valves(engines) == []


def test_a_file_of_no_known_name_is_refused(sqlite_client: Client) -> None:
    answer = sqlite_client.post("/v1/imports/pumps", content=VALVES, headers=CSV)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["file"] == "pumps.csv"


@pytest.mark.parametrize("content_type", ["application/x-www-form-urlencoded", "application/json"])
def test_a_body_of_another_kind_is_refused(sqlite_client: Client, content_type: str) -> None:
    answer = sqlite_client.post("/v1/imports/valves", content=VALVES, headers={"Content-Type": content_type})
    assert answer.status_code == 415
    assert answer.json()["type"] == "/problems/unsupported-media-type"
    assert (
        answer.json()["detail"] == f"The body is {content_type}; expected text/csv, {WORKBOOK} or multipart/form-data."
    )


@pytest.mark.parametrize("send", [{"content": "x" * 2000, "headers": CSV}, {"files": {"file": ("a.csv", "x" * 2000)}}])
def test_a_body_larger_than_the_limit_is_refused(
    sqlite_url: str, connect: Callable[[Settings], Any], send: dict[str, Any]
) -> None:
    with connect(Settings(database_url=sqlite_url, access="open", import_limit_bytes=1000)) as client:
        answer = client.post("/v1/imports/valves", **send)
    assert answer.status_code == 413
    assert answer.json()["type"] == "/problems/too-large"


def test_a_body_of_unstated_length_is_cut_off_at_the_limit(sqlite_url: str, connect: Callable[[Settings], Any]) -> None:
    with connect(Settings(database_url=sqlite_url, access="open", import_limit_bytes=1000)) as client:
        answer = client.post("/v1/imports/valves", content=iter([b"x" * 600, b"x" * 600]), headers=CSV)
    assert answer.status_code == 413


@pytest.mark.parametrize(("rows", "status"), [(3, 200), (4, 413)])
def test_an_import_of_more_rows_than_the_limit_is_refused_and_names_it(
    sqlite_url: str, connect: Callable[[Settings], Any], rows: int, status: int
) -> None:
    valves = "tag\n" + "".join(f"FV-{number}\n" for number in range(rows))
    with connect(Settings(database_url=sqlite_url, access="open", import_limit_rows=3)) as client:
        answer = client.post("/v1/imports/valves", content=valves, headers=CSV)
        stored = client.get("/v1/valves").json()["value"]
    assert (answer.status_code, len(stored)) == (status, rows if status == 200 else 0)
    if status == 413:
        assert answer.json()["type"] == "/problems/too-large"
        assert answer.json()["detail"] == "The import holds more than 3 rows, the most that are taken at once."


def test_an_import_into_an_invented_plant_says_so(sqlite_client: Client, sqlite_engines: Engines) -> None:
    with write_session(sqlite_engines) as session:
        set_fact(session, INVENTED_PLANT, "invented plant")
    answer = sqlite_client.post("/v1/imports/valves", content=VALVES, headers=CSV)
    assert answer.json()["notice"] == "invented plant"
