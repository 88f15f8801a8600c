"""The application as a whole: what it loads, and how it describes itself."""

import re
import subprocess
import sys
from typing import Any

import pytest
from litestar.routes import HTTPRoute
from litestar.testing import TestClient

from models.queries.files import FILES
from service.app import routed
from service.schemas.records import RECORDS
from service.settings import Access, Settings

Client = TestClient[Any]

WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
OPERATIONS = {
    ("post", "/v1/imports/{file}"),
    ("post", "/v1/imports"),
    ("get", "/v1/export.zip"),
    ("post", "/v1/runs"),
    ("get", "/v1/runs"),
    ("get", "/v1/runs/latest"),
    ("get", "/v1/runs/{run_id}"),
    ("post", "/v1/runs/{run_id}/cancel"),
    ("get", "/v1/runs/{run_id}/changes"),
    ("get", "/v1/scheduled-jobs"),
    ("get", "/v1/expiring-lots"),
    ("get", "/v1/failure-models"),
    ("get", "/v1/failure-models/{service_class}/{maintainable_item}"),
    ("get", "/v1/failure-models/{service_class}/{maintainable_item}/plot.svg"),
    ("get", "/v1/demand"),
    ("get", "/v1/demand/{kit}/why"),
    ("get", "/v1/reorder-points"),
    ("get", "/v1/reorder-points/{storeroom}/{kit}"),
    ("get", "/v1/reorder-points/{storeroom}/{kit}/why"),
    ("post", "/v1/reorder-points/{storeroom}/{kit}/accept"),
    ("post", "/v1/turnarounds/{code}/kits/{kit}/accept"),
    ("post", "/v1/what-if"),
    ("get", "/v1/acceptances"),
    ("get", "/v1/order-list"),
    ("get", "/v1/order-list/summary"),
    ("get", "/v1/stock-frontier"),
    ("get", "/v1/stock-frontier/levels"),
    ("get", "/v1/stock-frontier/plot.svg"),
    ("get", "/v1/turnarounds/{code}/scope"),
    ("get", "/v1/turnarounds/{code}/limits"),
    ("get", "/v1/turnarounds/{code}/budget"),
    ("get", "/v1/turnarounds/{code}/budget/valves"),
    ("get", "/v1/turnarounds/{code}/budget/basis"),
    ("get", "/v1/turnarounds/{code}/budget/cash"),
    ("get", "/v1/turnarounds/{code}/kits"),
    ("get", "/v1/turnarounds/{code}/staging"),
    ("get", "/v1/accuracy"),
    ("get", "/v1/spend"),
    ("get", "/v1/turnarounds/{code}/document"),
    ("post", "/v1/turnarounds/{code}/sign"),
    ("get", "/v1/turnarounds/{code}/signature"),
    ("get", "/v1/turnarounds/{code}/signed"),
    ("post", "/v1/turnarounds/{code}/late-scope"),
    ("get", "/v1/turnarounds/{code}/late-scope"),
    ("post", "/v1/turnarounds/{code}/actuals"),
    ("get", "/v1/turnarounds/{code}/actuals"),
    ("get", "/v1/turnarounds/{code}/paid-beside-budget"),
    ("get", "/v1/cell/{measure}"),
    ("get", "/v1/workbook.xlsx"),
    ("get", "/v1/sample-workbook.xlsx"),
    ("get", "/v1/valves/{tag}/kit-needs"),
    ("get", "/v1/valves/{tag}/rebuild-sheet"),
    ("get", "/v1/data-findings"),
    ("post", "/v1/data-findings/{finding_id}/close"),
    ("post", "/v1/data-findings/{finding_id}/reopen"),
    ("post", "/v1/events/{ref}/{tag}/void"),
    ("get", "/v1/look-up"),
    ("get", "/v1/issues-explained"),
    ("get", "/v1/spare-valves"),
    ("post", "/v1/keys"),
    ("get", "/v1/keys"),
    ("get", "/v1/keys/{key_id}"),
    ("post", "/v1/keys/{key_id}/revoke"),
    ("get", "/v1/audit"),
    ("get", "/v1/audit/{entry_id}/changes"),
    ("get", "/health/live"),
    ("get", "/health/ready"),
    ("get", "/v1/valves/{tag}/events"),
} | {
    (method, path)
    for file in FILES.values()
    for path, methods in (
        (f"/v1/{file.name.replace('_', '-')}", ("get", "post")),
        (
            "/".join(("/v1", file.name.replace("_", "-"), *(f"{{{key}}}" for key in file.key))),
            ("get", "patch", "delete"),
        ),
    )
    for method in methods
}
PAGES = {
    "/",
    "/metrics",
    "/problems/{name}",
    "/assets/swagger/{file_path}",
}  # for people, as those of the description itself
OUR_PAGES = {
    *("/assets/pages/{name}", "/sign-in", "/record", "/past-forecasts"),
    *("/valves/{tag}/rebuild-sheet", "/valves/{tag}/record-rebuild"),
    *("/kits", "/kits/{code}", "/service-classes", "/service-classes/{code}", "/valves", "/valves/{tag}"),
    *("/turnarounds", "/turnarounds/{code}"),
}
FORMS = {"/sign-in", "/sign-out", "/sign-out-everywhere", "/valves/{tag}/record-rebuild"}
LISTS = ("failure-models", "demand", "reorder-points", "order-list", "valves/{tag}/kit-needs", "data-findings", "runs")


@pytest.fixture
def description(sqlite_client: Client) -> dict[str, Any]:
    body: dict[str, Any] = sqlite_client.get("/schema/openapi.json").json()
    return body


def test_the_server_loads_no_heavy_numerics() -> None:
    listing = (
        "import sys, service.app, service.server; "
        "print(*(m for m in ('scipy.stats', 'statsmodels', 'pandas', 'matplotlib') if m in sys.modules))"
    )
    answer = subprocess.run([sys.executable, "-c", listing], check=True, capture_output=True, text=True, timeout=60)
    assert answer.stdout.strip() == ""


def test_the_description_holds_every_route(description: dict[str, Any]) -> None:
    assert description["openapi"] == "3.1.0"
    found = {(method, path) for path, methods in description["paths"].items() for method in methods}
    assert found == OPERATIONS


@pytest.mark.parametrize("access", ["open", "keys"])
def test_the_description_holds_every_route_of_the_router(sqlite_url: str, access: Access) -> None:
    app = routed(Settings(database_url=sqlite_url, access=access))
    found = {
        (method.lower(), route.path_format)
        for route in app.routes
        if isinstance(route, HTTPRoute)
        for method in set(route.methods) - {"HEAD", "OPTIONS"}
        if not route.path.startswith("/schema")
    }
    paths = app.openapi_schema.to_schema()["paths"]
    described = {(method, path) for path, methods in paths.items() for method in methods}
    assert found == described | {("get", path) for path in PAGES | OUR_PAGES} | {("post", path) for path in FORMS}


def test_every_route_is_described_with_its_problems(description: dict[str, Any]) -> None:
    for path, methods in description["paths"].items():
        for operation in methods.values():
            assert operation["description"], path
            for status in ("400", "401", "403", "404", "406", "409", "503"):
                told = operation["responses"][status]["content"]
                in_text = path.startswith("/v1/cell/") and status not in {"401", "403"}
                at_the_door = status == "400" or not in_text  # a NUL in the address comes no further
                assert ("text/plain" in told, "application/problem+json" in told) == (in_text, at_the_door), (
                    path,
                    status,
                )


@pytest.mark.parametrize("file", FILES)
def test_every_record_is_described_by_its_struct(description: dict[str, Any], file: str) -> None:
    schemas, collection = description["components"]["schemas"], description["paths"][f"/v1/{file.replace('_', '-')}"]
    body = collection["post"]["requestBody"]["content"]["application/json"]["schema"]["$ref"].rpartition("/")[2]
    assert body == RECORDS[file].__name__
    assert list(schemas[body]["properties"]) == list(RECORDS[file].__struct_fields__)
    change = schemas[body.replace("Record", "Change")]
    assert list(change["properties"]) == [
        name for name in RECORDS[file].__struct_fields__ if name not in FILES[file].key
    ]
    assert change.get("required", []) == []


@pytest.mark.parametrize("path", LISTS)
def test_every_list_is_described_as_json_and_csv(description: dict[str, Any], path: str) -> None:
    operation = description["paths"][f"/v1/{path}"]["get"]
    assert set(operation["responses"]["200"]["content"]) == {"application/json", "text/csv", WORKBOOK}
    assert {"format", "dialect", "cursor", "limit"} <= {parameter["name"] for parameter in operation["parameters"]}


def test_an_upload_is_described_as_csv_or_form(description: dict[str, Any]) -> None:
    body = description["paths"]["/v1/imports/{file}"]["post"]["requestBody"]
    assert set(body["content"]) == {"text/csv", WORKBOOK, "multipart/form-data"}
    assert set(description["paths"]["/v1/export.zip"]["get"]["responses"]["200"]["content"]) == {"application/zip"}


def test_the_description_can_be_read_without_a_network(sqlite_client: Client) -> None:
    """Every script, style sheet and picture of the page comes from this server."""
    page = sqlite_client.get("/schema").text
    sources = re.findall(r"""(?:src|href)=["']([^"']+)["']""", page)
    assert [source for source in sources if not source.startswith(("/assets/swagger/", "data:"))] == []
    assert len(sources) >= 4
    for source in sources:
        if not source.startswith("data:"):
            assert sqlite_client.get(source).status_code == 200, source


def test_the_server_lives_and_is_ready(client: Client) -> None:
    assert client.get("/health/live").json() == {"status": "live"}
    assert client.get("/health/ready").json() == {"status": "ready"}
