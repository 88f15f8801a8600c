"""The look-up at the bench: a part of a tag is enough to know the kits, where they lie, and what may be fitted."""

from datetime import date, timedelta
from typing import Any

import pytest
from litestar.testing import TestClient

from service import settings

Client = TestClient[Any]
TODAY = date(2026, 3, 1)
FILES = {
    "materials": "code,storage_life_days\nRUBBER,365\n",
    "parts": "code,name,material\nP-1,seat ring,RUBBER\nP-2,gasket,\n",
    "kits": "code,name,renews,superseded_by\nOLD,old trim kit,trim,NEW\n"
    "NEW,new trim kit,trim,\nGKT,gasket set,gasket,\n",
    "kit_parts": "kit,part,qty\nOLD,P-1,2\nNEW,P-2,1\nGKT,P-2,4\n",
    "design_kits": "design,maintainable_item,kit,qty,on_opening\nD,trim,OLD,1,false\nD,gasket,GKT,2,true\n",
    "stock": "storeroom,kit,on_hand\nMAIN,OLD,3\nYARD,NEW,1\n",
    "lots": "storeroom,kit,lot,cured_on,expires_on,qty\n"
    "MAIN,OLD,L-1,2025-02-28,,1\nMAIN,OLD,L-2,2025-03-01,,1\nMAIN,OLD,L-3,,,1\nYARD,NEW,L-4,,2026-02-28,1\n",
    "valves": "tag,design,area\nFV-101A/B,D,NORTH\nFV-102,D,NORTH\nPV-101,E,\nPV-200,,\n",
}


@pytest.fixture
def bench(client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    monkeypatch.setattr(settings, "today", lambda: TODAY)
    monkeypatch.setattr("service.routes.pages.today", lambda: TODAY)
    for name, text in FILES.items():
        answer = client.post(f"/v1/imports/{name}", content=text, headers={"Content-Type": "text/csv"})
        assert answer.status_code == 200, answer.text
    return client


def rows(bench: Client, tag: str) -> list[dict[str, Any]]:
    answer = bench.get("/v1/look-up", params={"tag": tag})
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["value"]
    return found


@pytest.mark.parametrize(
    ("written", "tags"),
    [
        ("101", ["FV-101A/B", "PV-101"]),
        ("fv101a", ["FV-101A/B"]),
        ("Fv 101", ["FV-101A/B"]),
        ("101a/b", ["FV-101A/B"]),
        ("%", []),
        ("_", ["FV-101A/B", "FV-102", "PV-101", "PV-200"]),
        ("none", []),
    ],
)
def test_a_part_of_a_tag_is_enough(bench: Client, written: str, tags: list[str]) -> None:
    """Case, blanks and separators don't matter, and no sign stands for any text."""
    assert list(dict.fromkeys(row["tag"] for row in rows(bench, written))) == tags


def test_a_valve_shows_its_kits_and_what_takes_their_place(bench: Client) -> None:
    old, new, gasket = rows(bench, "fv101")
    assert [row["kit"] for row in (old, new, gasket)] == ["OLD", "NEW", "GKT"]
    assert (old["superseded_by"], new["superseded_by"]) == ("NEW", None)
    assert [row["maintainable_items"] for row in (old, new, gasket)] == [["trim"], ["trim"], ["gasket"]]
    assert [(row["qty"], row["on_opening"]) for row in (old, new, gasket)] == [(1, False), (1, False), (2, True)]
    assert [row["part_qty"] for row in (old, new, gasket)] == [{"P-1": 2}, {"P-2": 1}, {"P-2": 4}]
    assert [row["stock_on_hand"] for row in (old, new, gasket)] == [{"MAIN": 3}, {"YARD": 1}, {}]


def test_a_lot_may_be_fitted_until_its_last_day(bench: Client) -> None:
    """Stated, else a shelf life after it was cured: 365 days after 1 March 2025 is today, which still counts."""
    old, new, _ = rows(bench, "fv101")
    assert old["expires_on"] == {"MAIN/L-1": "2026-02-28", "MAIN/L-2": "2026-03-01"}
    assert old["cured_on"] == {"MAIN/L-1": "2025-02-28", "MAIN/L-2": "2025-03-01"}
    assert (old["expired_lots"], new["expired_lots"]) == (["MAIN/L-1"], ["YARD/L-4"])
    assert old["lot_qty"] == {"MAIN/L-1": 1, "MAIN/L-2": 1, "MAIN/L-3": 1}


def test_valves_without_described_kits_are_found_too(bench: Client) -> None:
    assert [(row["tag"], row["design"], row["kit"]) for row in rows(bench, "pv")] == [
        ("PV-101", "E", None),
        ("PV-200", None, None),
    ]


def test_the_rows_of_a_valve_stay_together(bench: Client) -> None:
    first = bench.get("/v1/look-up", params={"tag": "1", "limit": 2}).json()
    assert [row["kit"] for row in first["value"]] == ["OLD", "NEW", "GKT"]
    rest = bench.get(first["@odata.nextLink"]).json()
    assert [row["tag"] for row in rest["value"]] == ["FV-102"] * 3
    last = bench.get(rest["@odata.nextLink"]).json()
    assert ([row["tag"] for row in last["value"]], "@odata.nextLink" in last) == (["PV-101"], False)


def test_the_look_up_is_a_table_too(bench: Client) -> None:
    lines = bench.get("/v1/look-up", params={"tag": "fv101", "format": "csv"}).text.splitlines()
    assert lines[0] == (
        "tag,design,service_class,area,kit,name,maintainable_items,qty,on_opening,superseded_by,"
        "part_qty,stock_on_hand,lot_qty,cured_on,expires_on,expired_lots"
    )
    assert (
        lines[2]
        == "FV-101A/B,D,,NORTH,NEW,new trim kit,trim,1,false,,P-2:1,YARD:1,YARD/L-4:1,,YARD/L-4:2026-02-28,YARD/L-4"
    )


def test_the_page_says_it_in_words(bench: Client) -> None:
    page = " ".join(bench.get("/valves", params={"tag": "fv101"}).text.split())
    assert "Always replaced when the valve is opened." in page
    assert '<strong>Superseded by <a class="code short" href="/kits/NEW">NEW</a>.</strong>' in page
    assert '<data value="2">2</data>&nbsp;×&nbsp;seat ring' in page
    assert (
        "cured <time>2025-02-28</time>, last day <time>2026-02-28</time> <strong>expired, not to be fitted</strong>"
        in page
    )
    assert "last day – <strong>look at the cure date</strong>" in page
    assert 'href="/valves/FV-101A%2FB/rebuild-sheet"' in page
    assert "FV-102" not in page
    assert "No tag holds “none”." in bench.get("/valves", params={"tag": "none"}).text


def test_the_rebuild_sheet_of_a_design_that_is_only_named_is_there(bench: Client) -> None:
    sheet = bench.get("/v1/valves/PV-101/rebuild-sheet")
    assert (sheet.status_code, sheet.json()["kits"]) == (200, [])


def test_an_answer_of_yesterday_is_not_the_same_today(bench: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    first = bench.get("/v1/look-up", params={"tag": "fv101"})
    asked: dict[str, Any] = {"headers": {"If-None-Match": first.headers["etag"]}, "params": {"tag": "fv101"}}
    assert bench.get("/v1/look-up", **asked).status_code == 304
    monkeypatch.setattr(settings, "today", lambda: TODAY + timedelta(days=1))
    assert bench.get("/v1/look-up", **asked).json()["value"][0]["expired_lots"] == ["MAIN/L-1", "MAIN/L-2"]
