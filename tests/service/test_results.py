"""What a finished run says, over HTTP."""

from collections.abc import Callable
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.queries.facts import INVENTED_PLANT, set_fact
from service.db import write_session

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]

LISTS = ("failure-models", "demand", "reorder-points", "order-list", "valves/FV-102/kit-needs", "data-findings")
OBJECTS = ("failure-models/wet%20CO2/trim", "reorder-points/MAIN/K-1", "reorder-points/MAIN/K-1/why")


@pytest.mark.parametrize("path", LISTS + OBJECTS)
def test_without_a_finished_run_a_result_is_a_conflict_that_says_what_to_do(sqlite_client: Client, path: str) -> None:
    answer = sqlite_client.get(f"/v1/{path}")
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json() == {
        "type": "/problems/not-enough-data",
        "title": "There is not enough data to answer.",
        "status": 409,
        "detail": "not enough data: no run has finished yet; POST /v1/runs",
        "instance": f"/v1/{path}",
    }


def test_a_list_names_its_run_its_cut_off_and_its_method(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    run = finish_run(engines)
    body = client.get("/v1/failure-models").json()
    assert {key: body[key] for key in ("run", "as_of", "method")} == {
        "run": run,
        "as_of": "2026-03-01",
        "method": "plug-in",
    }
    assert [(model["service_class"], model["status"]) for model in body["value"]] == [
        ("wet CO2", "fitted"),
        ("clean steam", "not fitted"),
    ]


def test_published_numbers_have_six_significant_digits(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    model = client.get("/v1/failure-models/WET%20co2/Trim").json()
    assert (model["service_class"], model["scale_days"]) == ("wet CO2", 1234.57)


def test_a_model_that_could_not_be_fitted_says_why(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    model = client.get("/v1/failure-models/clean%20steam/trim").json()
    assert (model["mle_shape"], model["status"], model["reason"]) == (
        None,
        "not fitted",
        "0 failures in 9.3 valve-years",
    )


def test_a_model_there_is_none_of_is_not_found(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    answer = client.get("/v1/failure-models/wet%20CO2/packing")
    assert answer.status_code == 404
    assert answer.json()["detail"] == f"run {run} has no failure model for wet CO2, packing"


def test_an_unknown_code_is_not_found(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    answer = client.get("/v1/reorder-points/MAIN/K-9")
    assert answer.status_code == 404
    assert answer.json()["detail"] == f"run {run} has no reorder point for kit K-9 in storeroom MAIN"


def test_demand_is_of_the_whole_plant_by_month_unless_asked_otherwise(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(engines)
    rows = client.get("/v1/demand?kit=k-1").json()["value"]
    assert [(row["area"], row["bucket"], row["mean"]) for row in rows] == [("", "month", 0.666667)]
    assert "probabilities" not in rows[0]
    rows = client.get("/v1/demand?area=u100").json()["value"]
    assert [(row["area"], row["mean"]) for row in rows] == [("U100", 0.333333)]


def test_demand_periods_lie_within_the_days_asked_for(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    year = "/v1/demand?bucket=year&starts_on=2026-03-01&ends_on="
    assert len(client.get(year + "2027-02-28").json()["value"]) == 1
    assert client.get(year + "2027-02-27").json()["value"] == []


def test_demand_gives_its_distribution_on_request(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    row = client.get("/v1/demand?distribution=true").json()["value"][0]
    assert row["probabilities"] == [0.5, 0.333333, 0.166667]


def test_money_is_an_exact_decimal_in_a_string(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    row = client.get("/v1/reorder-points/main/k-1").json()
    assert (row["unit_cost"], row["cost"]) == ("1200.50", "4802.00")


def test_a_number_that_cannot_be_known_is_null_with_a_reason(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(engines)
    row = client.get("/v1/reorder-points/MAIN/K-4").json()
    assert (row["reorder_point"], row["status"], row["reason"]) == (None, "unknown", "its lead time is not known")


def test_the_order_list_has_late_ones_first_then_overdue_orders_then_the_rest(
    client: Client, engines: Engines, finish_run: FinishRun
) -> None:
    finish_run(engines)
    body = client.get("/v1/order-list").json()
    assert [(row["kit"], row["order_quantity"], row["order_by"], row["overdue_qty"]) for row in body["value"]] == [
        ("K/2", 1, "2026-02-01", 0),
        ("K-3", 0, None, 2),
        ("K-1", 4, "2026-04-01", 0),
    ]
    assert "Prove isolation" in body["cautions"][0]


def test_the_order_list_pages_in_its_own_order(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    kits: list[str] = []
    path = "/v1/order-list?limit=1&storeroom=main"
    while path:
        body = client.get(path).json()
        kits.extend(row["kit"] for row in body["value"])
        path = body.get("@odata.nextLink", "")
    assert kits == ["K/2", "K-3", "K-1"]


def test_the_next_part_stays_in_the_run_it_began_with(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    first = finish_run(engines)
    answer = client.get("/v1/reorder-points?limit=3&storeroom=MAIN")
    finish_run(engines)
    link = answer.json()["@odata.nextLink"]
    assert link == f"/v1/reorder-points?limit=3&storeroom=MAIN&cursor=3&run={first}"
    assert answer.headers["link"] == f'<{link}>; rel="next"'
    following = client.get(link).json()
    assert [row["kit"] for row in following["value"]] == ["K-4"]
    assert following["run"] == first
    assert "@odata.nextLink" not in following


def test_results_of_an_older_run_can_be_asked_for(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    first, second = finish_run(engines), finish_run(engines)
    assert client.get("/v1/data-findings").json()["run"] == second
    assert client.get(f"/v1/data-findings?run={first}").json()["run"] == first
    assert client.get("/v1/data-findings?run=77").status_code == 404


def test_a_valve_is_found_by_a_tag_with_a_slash(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    body = client.get("/v1/valves/fv-101a%2Fb/kit-needs").json()
    assert [(row["tag"], row["kit"], row["p_90"]) for row in body["value"]] == [("FV-101A/B", "K-1", 0.1)]
    assert body["cautions"]
    answer = client.get("/v1/valves/FV-101A/B/kit-needs")
    assert answer.status_code == 404


def test_a_valve_without_needs_is_not_found(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    answer = client.get("/v1/valves/XV-9/kit-needs")
    assert answer.status_code == 404
    assert answer.json()["detail"] == f"run {run} knows of no kit that a valve XV-9 may need"


def test_findings_can_be_asked_for_by_kind(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    finish_run(engines)
    rows = client.get("/v1/data-findings?kind=scope%20assumed").json()["value"]
    assert [(row["file"], row["record_key"]) for row in rows] == [("events.csv", "E-17")]


def test_why_is_a_sentence_and_what_it_rests_on(client: Client, engines: Engines, finish_run: FinishRun) -> None:
    run = finish_run(engines)
    why = client.get("/v1/reorder-points/MAIN/K-1/why").json()
    assert why["sentence"] == (
        "Order 4 of kit K-1 in storeroom MAIN by 2026-04-01: its stock position is 2, its reorder point 3. "
        "In the 63 days that an order and the next review take, 1.33 are expected to be taken by 2 valves, "
        "most of all by FV-101A/B. "
        "The chance that this level lasts until the order arrives is 96.1%; wanted: cycle service level 95.0%."
    )
    assert [(valve["tag"], valve["expected_in_protection_interval"]) for valve in why["valves"]] == [
        ("FV-101A/B", 1.0),
        ("FV-102", 0.333333),
    ]
    assert why["models"] == [
        {
            "service_class": "wet CO2",
            "maintainable_item": "trim",
            "status": "fitted",
            "reason": None,
            "family": "weibull",
            "mean_days": 1101.5,
            "failures": 21,
        }
    ]
    assert why["target"] == {
        "rule": "cycle_service_level",
        "target": 0.95,
        "source": "consequence of the valves served",
        "consequence": "curtails",
    }
    assert why["position"] == {
        "position": 2,
        "on_hand": 3.0,
        "expired": None,
        "unfilled": None,
        "reserved": 1.0,
        "on_order_counted": 0.0,
        "on_order_late": 0.0,
        "overdue_qty": 0.0,
    }
    assert (why["lead_time_days"], why["review_period_days"], why["run"], why["method"]) == (56, 7, run, "plug-in")
    assert (why["order_quantity"], why["proposed_quantity"], why["order_by"]) == (4, 4, "2026-04-01")
    assert (why["simple_bound_reorder_point"], why["floor_qty"], why["lead_time_over_history"]) == (4, 0, 0.0142857)
    assert why["warnings"] == ["few failures"]
    assert len(why["cautions"]) == 5


@pytest.mark.parametrize(
    ("kit", "sentence"),
    [
        ("K%2F2", "Order 1 of kit K/2 in storeroom MAIN today, 28 days late (it was to be ordered by 2026-02-01): its"),
        ("K-3", "its reorder point 1. Chase 2 on overdue orders."),
        ("K-4", "No reorder point can be given for kit K-4 in storeroom MAIN: its lead time is not known."),
    ],
)
def test_why_says_what_to_do_in_every_case(
    client: Client, engines: Engines, finish_run: FinishRun, kit: str, sentence: str
) -> None:
    finish_run(engines)
    assert sentence in client.get(f"/v1/reorder-points/MAIN/{kit}/why").json()["sentence"]


@pytest.mark.parametrize("path", [*LISTS, *OBJECTS, "runs", "runs/latest"])
def test_everything_from_an_invented_plant_says_so(
    sqlite_client: Client, sqlite_engines: Engines, finish_run: FinishRun, path: str
) -> None:
    finish_run(sqlite_engines)
    assert "notice" not in sqlite_client.get(f"/v1/{path}").json()
    with write_session(sqlite_engines) as session:
        set_fact(session, INVENTED_PLANT, "invented plant: nothing in it is real")
    assert sqlite_client.get(f"/v1/{path}").json()["notice"] == "invented plant: nothing in it is real"
