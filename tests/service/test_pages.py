"""Pages: what they show is what the interface says."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from litestar.testing import TestClient

from models.engine import Engines, open_engines
from models.queries.facts import INVENTED_PLANT, set_fact
from service.db import write_session
from service.pages.rendering import money
from service.schemas.results import CAUTIONS
from service.settings import Settings
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import run_forecast
from tests.database_copies import copied, execute
from tests.service.conftest import connected
from tests.service.findings_plant import AS_OF

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
VALVES = ("FV-101", "FV-102")


@pytest.fixture(scope="module")
def plant(sqlite_plant: str) -> Iterator[Client]:
    """Connect to an open server on a copy of the plant of the findings, forecast once; said to be invented."""
    with copied(sqlite_plant) as url:
        engines = open_engines(url)
        with write_session(engines) as session:
            set_fact(session, INVENTED_PLANT, "invented plant, for the tests")
        engines.reader.dispose()
        with connected(Settings(database_url=url, access="open")) as client:
            yield client


def shown(page: str) -> list[str]:
    return re.findall(r'<data value="([^"]*)">', page)


def numbers(row: dict[str, Any], *names: str) -> list[str]:
    return [str(row[name]) for name in names if row[name] is not None]


def values_of(plant: Client, address: str) -> Iterator[str]:
    """Give every number and text in an answer, as it is written there."""
    open_values = [plant.get(address).json()]
    while open_values:
        value = open_values.pop()
        if isinstance(value, dict):
            open_values += value.values()
        elif isinstance(value, list):
            open_values += value
        else:
            yield str(value)


def follow_one_another(wanted: list[str], shown: list[str]) -> bool:
    """Tell whether these numbers stand on a page in this order, with others between them or not."""
    rest = iter(shown)
    return all(number in rest for number in wanted)


def storerooms_of(plant: Client, kit: str) -> list[str]:
    rows = plant.get("/v1/reorder-points", params={"kit": kit}).json()["value"]
    return [row["storeroom"] for row in rows]


def kits_of(plant: Client) -> list[str]:
    return sorted({row["kit"] for row in plant.get("/v1/reorder-points").json()["value"]})


def addresses(plant: Client) -> list[str]:
    models = plant.get("/v1/failure-models").json()["value"]
    return [
        *("/", "/kits", "/service-classes", "/valves", "/valves?tag=fv", "/record", "/past-forecasts", "/sign-in"),
        *(f"/kits/{quote(kit, safe='')}" for kit in kits_of(plant)),
        *(f"/service-classes/{quote(row['service_class'], safe='')}" for row in models),
        *(f"/valves/{tag}" for tag in VALVES),
    ]


def test_every_page_says_that_the_plant_is_invented_and_how_old_the_forecast_is(plant: Client) -> None:
    run = plant.get("/v1/runs/latest").json()
    for address in addresses(plant):
        answer = plant.get(address)
        assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8"), address
        assert "Invented plant, for the tests" in answer.text
        assert f"Forecast {run['id']}, from the record up to <time>{run['as_of']}</time>" in answer.text


def test_no_page_lets_a_browser_load_or_send_anything_elsewhere(plant: Client) -> None:
    for address in addresses(plant):
        answer = plant.get(address)
        assert answer.headers["content-security-policy"] == (
            "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; "
            "frame-ancestors 'none'; base-uri 'none'"
        )
        assert answer.headers["cache-control"] == "private, no-store"
        assert not re.search(r'<script|style="|https?://|\son[a-z]+="', answer.text), address


def test_what_to_order_is_the_order_list(plant: Client) -> None:
    lines = plant.get("/v1/order-list").json()["value"]
    page = plant.get("/").text
    wanted = [number for line in lines for number in numbers(line, "order_quantity", "position", "reorder_point")]
    assert follow_one_another(wanted, shown(page))
    assert all(caution.replace("'", "&#39;") in page for caution in CAUTIONS)
    for storeroom in {line["storeroom"] for line in lines}:
        [summary, *_] = plant.get("/v1/order-list/summary", params={"storeroom": storeroom}).json()["value"]
        names = ("cost", "run_out_now", "run_out_if_accepted", "shortage_now", "shortage_if_accepted")
        of_storeroom = plant.get("/", params={"storeroom": storeroom}).text
        assert shown(of_storeroom)[: len(names)] == numbers(summary, *names)
        asked = [line for line in lines if line["storeroom"] == storeroom]
        assert of_storeroom.count('data-label="Order, kits"') == len(asked)


def test_a_kit_shows_its_years_and_its_proposals(plant: Client) -> None:
    for kit in kits_of(plant):
        page = plant.get(f"/kits/{quote(kit, safe='')}").text
        years = plant.get("/v1/demand", params={"kit": kit, "bucket": "year"}).json()["value"]
        names = ("mean", "p10", "p50", "p80", "p90", "unplanned_mean", "planned_mean", "turnaround_mean")
        wanted = [number for year in years for number in numbers(year, *names)]
        assert wanted
        for row in plant.get("/v1/reorder-points", params={"kit": kit}).json()["value"]:
            why = plant.get(f"/v1/reorder-points/{row['storeroom']}/{quote(kit, safe='')}/why").json()
            assert why["sentence"].replace("'", "&#39;") in page
            wanted += numbers(row, "reorder_point", "cycle_service_level", "fill_rate")
            wanted += [number for valve in why["valves"] for number in numbers(valve, "age_days", "p_90", "p_365")]
        assert follow_one_another(wanted, shown(page))


def test_a_service_class_shows_its_models(plant: Client) -> None:
    for model in plant.get("/v1/failure-models").json()["value"]:
        page = plant.get(f"/service-classes/{quote(model['service_class'], safe='')}").text
        names = ("mean_days", "failures", "lives", "b10_days", "shape", "scale_days", "mle_scale_days", "pool_share")
        assert follow_one_another(numbers(model, *names), shown(page))
        assert page.count("<svg") >= 1


def test_a_valve_shows_its_needs_and_its_events(plant: Client) -> None:
    for tag in VALVES:
        page = plant.get(f"/valves/{tag}").text
        needs = plant.get(f"/v1/valves/{tag}/kit-needs").json()["value"]
        names = ("age_days", "p_30", "p_90", "p_365", "p_before_turnaround")
        assert shown(page) == [number for need in needs for number in numbers(need, *names)]
        for event in plant.get(f"/v1/valves/{tag}/events").json()["value"]:
            assert f"<time>{event['done_on']}</time>" in page
        assert CAUTIONS[0] in page


def test_the_record_shows_every_open_finding_and_how_many_there_are_of_a_kind(plant: Client) -> None:
    findings = plant.get("/v1/data-findings", params={"open": True, "limit": 100}).json()["value"]
    page = plant.get("/record").text
    assert findings
    assert [f'<th scope="row">{finding["id"]}</th>' in page for finding in findings] == [True] * len(findings)
    kinds = Counter(finding["kind"] for finding in findings)
    for kind, count in kinds.items():
        lost = sum(finding["lives_lost"] or 0 for finding in findings if finding["kind"] == kind)
        cells = (
            f'<td data-label="Open" class="figure">{count}</td><td data-label="Lives lost" class="figure">{lost}</td>'
        )
        assert f'?kind={kind}">{kind.replace("_", " ")}</a></th>{cells}' in page
        of_kind = plant.get("/record", params={"kind": kind}).text
        assert of_kind.count('<td data-label="Valve"') == count
    assert CAUTIONS[0] in page


def test_a_shutdown_without_a_plan_shows_the_kits_of_its_areas_and_what_was_decided(sqlite_plant: str) -> None:
    with copied(sqlite_plant) as url, connected(Settings(database_url=url, access="open")) as client:
        area = client.get("/v1/areas").json()["value"][0]["code"]
        record = {"code": "TA/9", "starts_on": "2026-09-01", "ends_on": "2026-09-20", "areas": [area]}
        assert client.post("/v1/turnarounds", json=record).status_code == 201
        line = {"turnaround": "TA/9", "tag": VALVES[0], "decision": "must_open", "decided_by": "somebody"}
        assert client.post("/v1/scope-lines", json=line).status_code == 201
        assert "didn&#39;t know turnaround TA/9 as it is now" in client.get("/turnarounds/TA%2F9").text
        engines = open_engines(url)
        run_forecast(engines, run_id=request_run(engines, as_of=AS_OF))
        engines.reader.dispose()
        assert "Which valves do we open?" in client.get("/turnarounds/TA%2F9").text
        execute(url, "DELETE FROM run_turnarounds")  # as after a run of a version that planned none
        asked = {"area": area, "bucket": "in_turnaround", "starts_on": "2026-09-01", "ends_on": "2026-09-20"}
        rows = client.get("/v1/demand", params=asked).json()["value"]
        names = ("mean", "p50", "p80", "p90", "turnaround_mean", "unplanned_mean")
        wanted = sorted(number for row in rows for number in numbers(row, *names))
        page = client.get("/turnarounds/TA%2F9").text
        assert wanted
        assert sorted(shown(page)) == wanted
        assert "<strong>Not signed.</strong>" in page
        assert ("must open" in page, f'href="/valves/{VALVES[0]}"' in page, CAUTIONS[0] in page) == (True, True, True)
        assert 'href="/turnarounds/TA%2F9"' in client.get("/turnarounds").text


@pytest.fixture(scope="module")
def planner(planned_file: Path) -> Iterator[Client]:
    """Connect to an open server on a copy of the small plant with turnarounds to come, forecast once."""
    with copied(f"sqlite:///{planned_file}") as url, connected(Settings(database_url=url, access="open")) as client:
        yield client


def rows_of(client: Client, address: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(address).json()["value"]
    return found


def section(page: str, title: str) -> str:
    [found] = re.findall(rf"<h2>{re.escape(title)}</h2>.*?</section>", page, re.DOTALL)
    return str(found)


def test_a_shutdown_shows_its_budget_and_how_likely_it_stays_below_what(planner: Client) -> None:
    budget = planner.get("/v1/turnarounds/TA-26/budget").json()
    page = planner.get("/turnarounds/TA-26").text
    top = [budget["lines"][-1]["p80"], *numbers(budget, "base_estimate", "contingency", "price_and_hours_change")]
    assert shown(page)[:4] == top
    costs = section(page, "What will it cost?")
    lines = [number for line in budget["lines"] for number in numbers(line, "mean", "p10", "p50", "p80", "p90")]
    finds = [number for find in budget["basis"]["finds"] for number in numbers(find, "found", "openings", "chance")]
    assert shown(costs) == [*lines, *finds]
    assert len(finds) > 3
    p50, p80, p90 = (Decimal(budget["percentiles"][number - 1]) for number in (50, 80, 90))
    assert f"stays below an amount: P50 {p50:,}, P80 {p80:,}, P90 {p90:,}; base" in costs
    assert f"Base estimate</dt><dd>{money(budget['base_estimate'])}</dd>" in page


def test_a_shutdown_shows_its_kits_late_ones_first_and_when_to_order_them(planner: Client) -> None:
    kits = rows_of(planner, "/v1/turnarounds/TA-26/kits")
    found = section(planner.get("/turnarounds/TA-26").text, "Which kits by when?")
    wanted: list[str] = []
    for kit in kits:
        late = ("days_late",) if kit["to_order"] else ()
        names = ("to_order", *late, "planned_qty", "p80", "available", "arrives_in_time", "cost")
        wanted += numbers(kit, *names)
        assert kit["reason"].replace("'", "&#39;").replace(" %", "\u00a0%") in found
        assert (f"{kit['kit']} by {kit['order_by']}" in found) == (kit["to_order"] > 0)
    assert shown(found) == wanted
    assert kits[0]["days_late"] > 0
    assert "Late already: 1 kit." in planner.get("/turnarounds/TA-26").text


def test_a_shutdown_shows_its_scope_by_rank_with_reasons_and_what_is_laid_out(planner: Client) -> None:
    scope = rows_of(planner, "/v1/turnarounds/TA-26/scope")
    staged = [row for row in rows_of(planner, "/v1/turnarounds/TA-26/staging") if row["qty"]]
    page = planner.get("/turnarounds/TA-26").text
    found = section(page, "Which valves do we open?")
    names = ("rank", "chance_of_failure", "saves", "cost", "hours")
    assert shown(found) == [number for row in scope for number in numbers(row, *names)]
    assert all(row["reason"].replace("'", "&#39;") in found for row in scope)
    opened, _, closed = found.partition("left closed</summary>")
    assert [f"/valves/{row['tag']}" in opened for row in scope] == [row["decision"] == "in" for row in scope]
    assert found.count("Safety-related.") == sum(bool(row["safety_related"]) for row in scope) == 1
    laid_out = section(page, "What is laid out for which valve?")
    assert shown(laid_out) == [number for row in staged for number in numbers(row, "qty", "expected_extra")]
    assert not [row for row in staged if 0.0 < abs(row["expected_extra"]) < 1e-9]
    assert (len(closed) > 0, "must not open" in page, CAUTIONS[0] in page) == (True, True, True)


def test_a_shutdown_with_other_days_than_were_planned_says_so(planner: Client) -> None:
    assert "other days" not in planner.get("/turnarounds/TA-26").text
    record = planner.get("/v1/turnarounds/TA-28")
    changed = {"starts_on": "2028-02-03", "ends_on": "2028-02-20"}
    headers = {"If-Match": record.headers["etag"]}
    assert planner.patch("/v1/turnarounds/TA-28", json=changed, headers=headers).status_code == 200
    page = planner.get("/turnarounds/TA-28").text
    assert "other days for it now: from <time>2028-02-03</time> to <time>2028-02-20</time>" in page
    assert "Begins</dt><dd><time>2028-01-03</time>" in page


@pytest.mark.parametrize(
    ("code", "told"),
    [("TA-24", "was over on 2024-09-20"), ("TA-40", "after the horizon of run 1"), ("TA-X", "no first")],
)
def test_a_shutdown_that_is_not_planned_says_why(planner: Client, code: str, told: str) -> None:
    page = planner.get(f"/turnarounds/{code}").text
    assert ("No scope, no budget: turnaround" in page, told in page, shown(page)) == (True, True, [])


def test_no_page_shows_a_number_that_the_interface_does_not_give(plant: Client) -> None:
    """Whatever a page says in figures is some value of the lists behind it, digit for digit."""
    given = {
        address: set(values_of(plant, address)) for address in ("/v1/kits", "/v1/reorder-points", "/v1/order-list")
    }
    kits, proposals, orders = given.values()
    orders |= set(values_of(plant, "/v1/order-list/summary"))
    pages = {"/": orders, "/kits": proposals}
    for kit in kits_of(plant):
        code = quote(kit, safe="")
        whys = [f"/v1/reorder-points/{row}/{code}/why" for row in storerooms_of(plant, kit)]
        of_kit = (f"/v1/demand?kit={code}&bucket=year", f"/v1/reorder-points?kit={code}", *whys)
        pages[f"/kits/{code}"] = kits.union(*(values_of(plant, address) for address in of_kit))
    for model in plant.get("/v1/failure-models").json()["value"]:
        code = quote(model["service_class"], safe="")
        pages[f"/service-classes/{code}"] = set(values_of(plant, f"/v1/failure-models?service_class={code}"))
    pages["/service-classes"] = set(values_of(plant, "/v1/failure-models?limit=500"))
    pages["/record"] = set(values_of(plant, "/v1/data-findings?limit=500"))
    for tag in VALVES:
        pages[f"/valves/{tag}"] = set(values_of(plant, f"/v1/valves/{tag}/kit-needs"))
        for sheet in ("rebuild-sheet", "record-rebuild"):
            pages[f"/valves/{tag}/{sheet}"] = set(values_of(plant, f"/v1/valves/{tag}/rebuild-sheet"))
    wrong = {page: set(shown(plant.get(page).text)) - values for page, values in pages.items()}
    assert wrong == {page: set() for page in pages}
    assert sum(len(shown(plant.get(page).text)) for page in pages) > 100


def test_a_valve_is_found_by_part_of_its_tag(plant: Client) -> None:
    page = plant.get("/valves", params={"tag": "v-102"}).text
    assert ('href="/valves/FV-102"' in page, 'href="/valves/FV-101"' in page) == (True, False)


@pytest.mark.parametrize("address", ["/kits/none", "/service-classes/none", "/valves/none", "/assets/pages/none.css"])
def test_what_there_is_not_is_a_page_that_says_so(plant: Client, address: str) -> None:
    answer = plant.get(address)
    assert (answer.status_code, answer.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "There is no such thing here." in answer.text


def test_before_the_first_forecast_the_first_page_says_what_is_missing(sqlite_client: Client) -> None:
    assert "Nobody can say before a forecast has run." in sqlite_client.get("/").text
    assert sqlite_client.get("/kits").status_code == 409


def test_text_of_the_record_is_never_markup(sqlite_client: Client) -> None:
    sqlite_client.post("/v1/valves", json={"tag": "<b>FV</b>", "serial": "<script>alert(1)</script>"})
    page = sqlite_client.get("/valves/%3Cb%3EFV%3C%2Fb%3E").text
    assert ("<script" in page, "<b>" in page, "&lt;script&gt;" in page) == (False, False, True)
