"""What the shelves and the events say of each other, over HTTP; the numbers beside the rows are counted by hand."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.queries import single_records, voids
from models.queries.voids import Decided
from service.app import create_app
from service.db import write_session
from service.settings import Settings, now
from service.use_cases.close_finding import digest_of

Client = TestClient[Any]
CSV = {"Content-Type": "text/csv"}
REGISTER = {
    "areas": "code,records_begin_on\nU100,2018-07-01\nU200,2010-01-01\n",
    "kits": "code,renews,superseded_by,superseded_on\nPACK,packing,,\nTRIM,trim|packing,,\n"
    "OLD,packing,PACK,2020-01-01\nGASKET,,,\n",
    "design_kits": "design,maintainable_item,kit,qty\nGLOBE,packing,PACK,2\nGLOBE,trim,TRIM,1\n",
    "valves": "tag,serial,design,area,installed_on\nV-1,S1,GLOBE,U100,2010-01-01\nV-2,S2,GLOBE,U200,2010-01-01\n"
    "V-3,S3,ANGLE,U200,2010-01-01\n",
}
EVENTS = """ref,tag,done_on,action,renewed,kits_used,serial_fitted
E1,V-1,2019-03-10,rebuild,packing,,
E2,V-1,2019-12-20,rebuild,,TRIM:1,
E3,V-2,2020,rebuild,packing|trim,,
E4,V-2,2021-05-01,exchange,,,S9
E5,V-3,2021-06-01,rebuild,,,
E6,V-1,2017-02-01,rebuild,packing,OLD:2,
E7,V-2,2021-02-01,rebuild,packing,,
"""
ISSUES = """ref,kit,issued_on,qty,tag
I1,PACK,2019-03-01,3,V-1
I2,PACK,2019-03-12,-1,V-1
I3,TRIM,2020-01-05,1,V-1
I4,TRIM,2020-06-30,1,
I5,TRIM,2020-07-30,2,
I6,TRIM,2021-09-15,1,V-2
I7,OLD,2021-02-03,1,
I8,PACK,2021-02-10,4,
I9,PACK,2021-03-10,-1,
I10,GASKET,2021-03-10,5,
I11,OLD,2017-02-01,2,
I12,GASKET,2022-01-10,2,
I13,GASKET,2022-02-10,-2,
"""


PLANT = {**REGISTER, "events": EVENTS, "issues": ISSUES}


@pytest.fixture(scope="module")
def plant(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Connect to a server on an SQLite database that holds the plant; tests only read it."""
    path = tmp_path_factory.mktemp("shelf") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    settings = Settings(database_url=f"sqlite:///{path}", access="open")
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000") as client:
        yield stored(client, PLANT)


def explained(client: Client, kit: str) -> dict[int, tuple[Any, ...]]:
    columns = ("issued_qty", "event_qty", "explained_qty", "unexplained_qty", "explained_share")
    rows = client.get("/v1/issues-explained", params={"kit": kit}).json()["value"]
    assert {row["kit"] for row in rows} == {kit}
    return {row["year"]: tuple(row[column] for column in columns) for row in rows}


def test_a_superseded_kit_counts_as_the_present_one_and_returns_are_netted(client: Client) -> None:
    plant = stored(client, PLANT)
    # 2019: 3 out, 1 back, E1 renewed the packing: 2 of its kit. 2021: 1 old and 4 new out, 1 back; E7 used 2.
    assert explained(plant, "PACK") == {
        2017: (2, 2, None, None, None),
        2019: (2, 2, 2, 0, 1.0),
        2021: (4, 2, 2, 2, 0.5),
    }


def test_a_tag_is_matched_across_new_year_an_exchange_months_later_and_what_names_no_tag_by_year(plant: Client) -> None:
    # E2 of December took I3 of January; E3 of 2020 explains one of the three without a tag; E4 took I6 in September
    assert explained(plant, "TRIM") == {
        2019: (0, 1, None, None, None),
        2020: (4, 1, 2, 2, 0.5),
        2021: (1, 1, 1, 0, 1.0),
    }


def test_each_row_that_is_not_known_or_not_explained_says_why(plant: Client) -> None:
    rows = plant.get("/v1/issues-explained").json()["value"]
    reasons = {(row["kit"], row["year"]): row["reason"] for row in rows}
    assert reasons == {
        ("GASKET", 2021): "no design takes it, and no event of this year used it",
        ("GASKET", 2022): "as many came back as went out, or more",
        ("PACK", 2017): "the events of the valves that may take it are complete from 2018-07-01 only",
        ("PACK", 2019): None,
        ("PACK", 2021): "of 1 events of this year nobody can tell which kits they used",
        ("TRIM", 2019): "no issue of it is recorded in this year",
        ("TRIM", 2020): None,
        ("TRIM", 2021): None,
    }


def test_rows_come_in_parts_as_csv_and_are_not_sent_twice(plant: Client) -> None:
    page = plant.get("/v1/issues-explained?limit=5").json()
    rest = plant.get(page["@odata.nextLink"]).json()
    assert (len(page["value"]), len(rest["value"]), "@odata.nextLink" in rest) == (5, 3, False)
    answer = plant.get("/v1/issues-explained?kit=pack&format=csv&dialect=semicolon")
    assert answer.text.splitlines()[-1] == (
        "PACK;2021;4;2;2;2;0,5;of 1 events of this year nobody can tell which kits they used"
    )
    again = plant.get(
        "/v1/issues-explained", headers={"If-None-Match": plant.get("/v1/issues-explained").headers["etag"]}
    )
    assert again.status_code == 304


POOL_VALVES = """tag,serial,design
P-1,A3,GLOBE
P-2,B1,GLOBE
P-3,C1,ANGLE
P-4,D1,GLOBE
"""
POOL_EVENTS = """ref,tag,done_on,action,serial_fitted
X1,P-1,2020-01-10,exchange,A2
X2,P-1,2021-01-10,exchange,A3
X3,P-2,2021-03-01,exchange,A2
X4,P-2,2022-05,exchange,B3
X5,P-3,2022-06-01,exchange,C2
X6,P-4,2022-07-01,exchange,
"""
POOL_ISSUES = """ref,kit,issued_on,qty,tag
J1,TRIM,2020-02-20,1,P-1
J2,TRIM,2022-07-15,1,P-2
"""


def stored(client: Client, files: dict[str, str]) -> Client:
    for file, content in files.items():
        answer = client.post(f"/v1/imports/{file}", content=content, headers=CSV)
        assert answer.status_code == 200, answer.text
    return client


POOL = {
    "kits": REGISTER["kits"],
    "design_kits": REGISTER["design_kits"],
    "valves": POOL_VALVES,
    "events": POOL_EVENTS,
    "issues": POOL_ISSUES,
}


@pytest.fixture
def pool(client: Client) -> Client:
    return stored(client, POOL)


@pytest.fixture
def sqlite_pool(sqlite_client: Client) -> Client:
    return stored(sqlite_client, POOL)


def test_the_pool_holds_what_was_taken_out_and_not_fitted_again(pool: Client) -> None:
    rows = pool.get("/v1/spare-valves").json()["value"]
    columns = ("design", "removed_from", "serial", "removed_on", "state", "kits_taken_on")
    # A2 left P-1 with X2 and went into P-2 with X3; X4 took it out again. B1 is what the register still names for P-2.
    assert [tuple(row[column] for column in columns) for row in rows] == [
        ("ANGLE", "P-3", "C1", "2022-06-01", "not known", None),
        ("GLOBE", "P-1", None, "2020-01-10", "rebuilt", "2020-02-20"),
        ("GLOBE", "P-2", "B1", "2021-03-01", "waiting", None),
        ("GLOBE", "P-2", "A2", "2022-05", "rebuilt", "2022-07-15"),
        ("GLOBE", "P-4", None, "2022-07-01", "waiting", None),
    ]
    assert [row["note"] for row in rows] == [
        "its serial is the one the register still names for this place; which kits its rebuild takes isn't recorded",
        "its serial isn't recorded: whether it was fitted again, nobody can tell",
        "its serial is the one the register still names for this place",
        None,
        "its serial isn't recorded: whether it was fitted again, nobody can tell",
    ]


def test_spares_are_asked_for_by_design_and_leave_as_csv(sqlite_pool: Client) -> None:
    answer = sqlite_pool.get("/v1/spare-valves?design=angle&format=csv")
    assert answer.text.splitlines() == [
        "design,serial,removed_from,removed_on,state,kits_taken_on,note",
        "ANGLE,C1,P-3,2022-06-01,not known,,its serial is the one the register still names for this place; "
        "which kits its rebuild takes isn't recorded",
    ]


def test_a_spare_fitted_where_only_the_register_tells_is_no_spare(sqlite_pool: Client) -> None:
    sqlite_pool.post("/v1/imports/valves", content="tag,serial,design\nP-5,b1,GLOBE\n", headers=CSV)
    assert "B1" not in [row["serial"] for row in sqlite_pool.get("/v1/spare-valves").json()["value"]]


def test_before_issues_were_recorded_nobody_knows_whether_a_spare_was_rebuilt(sqlite_pool: Client) -> None:
    event = "ref,tag,done_on,action\nX0,P-4,2015-01-01,exchange\n"
    assert sqlite_pool.post("/v1/imports/events", content=event, headers=CSV).status_code == 200
    rows = sqlite_pool.get("/v1/spare-valves?design=globe").json()["value"]
    assert [(row["state"], row["note"].rpartition("; ")[2]) for row in rows if row["removed_on"] == "2015-01-01"] == [
        ("not known", "no issue of those days is recorded")
    ]


def decided(engines: Engines, client: Client) -> None:
    """Void the exchange X2 and the rebuild E2, read tag P 01 as P-1, and let E8 stand for E9."""
    why = {"reason": "entered twice"}
    for ref, tag in (("X2", "P-1"), ("E2", "P-9")):
        assert client.post(f"/v1/events/{ref}/{tag}/void", json=why).status_code == 200
    with write_session(engines) as session:
        by = Decided(holder="a planner", at=now(), reason="entered twice")
        voids.merge_tag(session, "P 01", into="P-1", by=by)
        kept, other = (single_records.find_row(session, "events", [ref, "P-9"]) for ref in ("E8", "E9"))
        voids.store_void(session, other.id, digest=digest_of(other), merged_into_id=kept.id, by=by)


DECIDED = {
    "kits": REGISTER["kits"],
    "design_kits": REGISTER["design_kits"],
    "valves": "tag,serial,design\nP-1,A3,GLOBE\nP 01,,\nP-9,K1,GLOBE\n",
    "events": """ref,tag,done_on,action,renewed,kits_used,serial_fitted
X1,P-1,2020-01-10,exchange,,,A2
X2,P-1,2021-01-10,exchange,,,A9
X3,P 01,2022-01-10,exchange,,,A3
E2,P-9,2020-03-01,rebuild,,PACK:7,
E8,P-9,2021-03-01,rebuild,,,
E9,P-9,2021-03-02,rebuild,packing,PACK:3,
""",
    "issues": "ref,kit,issued_on,qty,tag\nK1,TRIM,2022-03-01,1,P 01\nK2,PACK,2021-03-03,3,P-9\n",
}


def test_voided_events_and_merged_tags_are_read_as_decided(engines: Engines, client: Client) -> None:
    stored(client, DECIDED)
    before = client.get("/v1/spare-valves").json()["value"]
    # as stated X2 took out A2, and X1 took out A3, which the register still names and X3 fitted elsewhere
    assert [(row["removed_from"], row["removed_on"]) for row in before] == [
        ("P-1", "2021-01-10"),
        ("P 01", "2022-01-10"),
    ]
    decided(engines, client)
    # X1 took out what nobody names, X3, now of P-1, took out A2, which X1 had fitted; its kit left in March
    rows = client.get("/v1/spare-valves").json()["value"]
    columns = ("removed_from", "serial", "removed_on", "state", "kits_taken_on")
    assert [tuple(row[column] for column in columns) for row in rows] == [
        ("P-1", None, "2020-01-10", "not known", None),
        ("P-1", "A2", "2022-01-10", "rebuilt", "2022-03-01"),
    ]
    # of the rebuilds of P-9 only E8 counts, with the kits that E9 names
    assert explained(client, "PACK") == {2021: (3, 3, 3, 0, 1.0)}
    assert explained(client, "TRIM") == {
        2020: (0, 1, None, None, None),
        2022: (1, 1, 1, 0, 1.0),
    }


def test_an_event_corrected_after_it_was_voided_counts_again(sqlite_engines: Engines, sqlite_client: Client) -> None:
    decided(sqlite_engines, stored(sqlite_client, DECIDED))
    row = "ref,tag,done_on,action,serial_fitted\nX2,P-1,2021-01-11,exchange,A9\n"
    assert sqlite_client.post("/v1/imports/events", content=row, headers=CSV).status_code == 200
    rows = sqlite_client.get("/v1/spare-valves").json()["value"]
    assert [row["removed_on"] for row in rows] == ["2020-01-10", "2021-01-11", "2022-01-10"]
