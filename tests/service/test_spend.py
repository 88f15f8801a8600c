"""What kits cost outside turnarounds, as a run stores it and as it is read."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest

from models.engine import migrate, open_engines
from service.settings import Settings
from tests.service.conftest import Client, connected
from tests.service.findings_plant import bring_in, run

PRICES = {"TRIM": 4110.0, "PACK": 231.2}
VALVES = "".join(
    f"V-{number},GLOBE,{'wet' if number % 2 else 'dry'},{'U100' if number < 4 else 'U200'},"
    "2016-01-01,packing:2025-05-01|trim:2024-03-01\n"
    for number in range(8)
)
EVENTS = "".join(
    f"V-{number},{year}-0{1 + number}-11,rebuild,failure,{'trim|packing' if year % 2 else 'packing'}\n"
    for number in range(8)
    for year in range(2020, 2026)
)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Two areas, two classes, packing renewed each 400 days in one, a turnaround, an actuator kit without a price."""
    url = f"sqlite:///{tmp_path_factory.mktemp('spend') / 'plant.sqlite'}"
    migrate(url)
    engines = open_engines(url)
    bring_in(
        engines,
        areas="code,records_begin_on\nU100,2016-01-01\nU200,2016-01-01\n",
        kits="code,renews,unit_cost,priced_on\nTRIM,trim,4110.00,2025-07-01\nPACK,packing,231.20,2024-02-03\nACT,actuator,,\n",
        design_kits="design,maintainable_item,kit,qty\nGLOBE,trim,TRIM,1\nGLOBE,packing,PACK,1\nGLOBE,actuator,ACT,1\n",
        policies="service_class,maintainable_item,policy,interval_days\nwet,packing,predetermined,400\nwet,trim,opportunistic,300\n",
        turnarounds="code,starts_on,ends_on,areas\nTA-1,2026-09-01,2026-09-20,U100\n",
        valves=f"tag,design,service_class,area,installed_on,last_renewed_on\n{VALVES}",
        events=f"tag,done_on,action,reason,renewed\n{EVENTS}",
    )
    run(engines)
    engines.reader.dispose()
    with connected(Settings(database_url=url, access="open")) as client:
        yield client


def _rows(client: Client, query: str) -> list[dict[str, Any]]:
    answer = client.get(f"/v1/spend?limit=1000&{query}")
    assert answer.status_code == 200, answer.text
    rows: list[dict[str, Any]] = answer.json()["value"]
    return rows


@pytest.mark.parametrize("area", ["", "U100", "U200"])
def test_means_are_kits_of_demand_without_turnarounds_at_their_price(client: Client, area: str) -> None:
    demand = client.get(f"/v1/demand?limit=1000&bucket=year&area={area}").json()["value"]
    assert any(row["turnaround_mean"] > 0.5 for row in demand) == (area != "U200")
    for row in _rows(client, f"bucket=year&area={area}"):
        kinds = ("unplanned", "planned") if row["kind"] == "total" else (row["kind"],)
        expected = sum(
            PRICES.get(one["kit"], 0.0) * one[f"{kind}_mean"]
            for one in demand
            for kind in kinds
            if one["starts_on"] == row["starts_on"]
        )
        assert float(row["mean"]) == pytest.approx(expected, rel=0.01, abs=0.02), row["kind"]
        assert Decimal(row["p10"]) <= Decimal(row["p50"]) <= Decimal(row["p80"]) <= Decimal(row["p90"])


def test_every_month_of_every_area_and_of_the_plant_has_each_kind(client: Client) -> None:
    rows = _rows(client, "")
    assert {row["area"] for row in rows} == {"", "U100", "U200"}
    assert len(rows) == len({(row["area"], row["starts_on"], row["kind"]) for row in rows}) == 3 * 25 * 3
    assert {row["kind"] for row in rows} == {"unplanned", "planned", "total"}
    within = _rows(client, "starts_on=2026-05-01&ends_on=2026-06-30&area=U100&kind=total")
    assert [row["starts_on"] for row in within] == ["2026-05-01", "2026-06-01"]


def test_quantiles_of_a_year_are_not_sums_of_those_of_months_or_areas(client: Client) -> None:
    (year,) = _rows(client, "bucket=year&kind=total&starts_on=2027-01-01&ends_on=2027-12-31&area=")
    months = _rows(client, "kind=total&starts_on=2027-01-01&ends_on=2027-12-31&area=")
    areas = _rows(client, "bucket=year&kind=total&starts_on=2027-01-01&ends_on=2027-12-31")
    assert len(months) == 12
    assert abs(Decimal(year["p90"]) - sum(Decimal(row["p90"]) for row in months)) > 500
    assert abs(Decimal(year["p90"]) - sum(Decimal(row["p90"]) for row in areas if row["area"])) > 500
    assert float(year["mean"]) == pytest.approx(sum(float(row["mean"]) for row in months), rel=0.01)


def test_a_kit_without_a_price_is_named_and_not_counted_as_free(client: Client) -> None:
    row = _rows(client, "bucket=year&kind=total&area=U100")[0]
    assert row["kits_without_price"] == "ACT"
    assert row["status"] == "incomplete"
    assert row["reason"].startswith("1 kit without a price left out: ACT (")
    assert row["details"]["kits_without_price"]["ACT"] > 0
    assert row["details"]["oldest_price_on"] == "2024-02-03"


def test_as_csv_with_decimal_commas(client: Client) -> None:
    text = client.get("/v1/spend?format=csv&dialect=semicolon&kind=total&area=U200").content.decode("utf-8-sig")
    header, first = text.split("\r\n")[:2]
    assert header.startswith("area;starts_on;ends_on;kind;mean;p10;p50;p80;p90;bucket;kits_without_price")
    assert first.split(";")[0] == "U200"
    assert "," in first.split(";")[4]


def test_no_run_no_spending(sqlite_client: Client) -> None:
    answer = sqlite_client.get("/v1/spend")
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
