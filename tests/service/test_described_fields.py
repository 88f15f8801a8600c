"""The whole API description, walked: every field with meaning, unit and example, every error and format declared."""

import re
from collections.abc import Iterator
from typing import Any

import jsonschema_rs
import pytest

from models.queries.files import FILES
from service.app import routed
from service.problem_kinds import KIND_OF_STATUS
from service.schemas.records import RECORDS
from service.settings import Settings
from tests.service.test_app import WORKBOOK

UNIT = re.compile(r" \[[^\]]+\]")
# names, not measures: the number under which something is known, a place in a file or list, a calendar year
WITHOUT_UNIT = {"id", "run", "run_id", "since_run", "token", "line", "year", "step", "status"}
AMOUNTS = {"unit_cost", "cost", "planned_cost", "unplanned_cost", "cost_of_failure"}
NUMBERS = {"integer", "number"}
ON_EVERY_ROUTE = {"400", "401", "403", "404", "406", "409", "429", "500", "503"}
WITH_A_BODY = {"413", "415"}
PLACES = {"cursor", "run_id", "finding_id", "key_id", "entry_id"}

Schema = dict[str, Any]


@pytest.fixture(scope="module")
def description() -> Schema:
    described: Schema = routed(Settings(database_url="sqlite:///nowhere.sqlite")).openapi_schema.to_schema()
    return described


def fields(description: Schema) -> Iterator[tuple[str, str, Schema]]:
    for name, schema in description["components"]["schemas"].items():
        for field, told in schema.get("properties", {}).items():
            yield name, field, told


def operations(description: Schema) -> Iterator[tuple[str, str, Schema]]:
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            yield method, path, operation


def kinds(schema: Schema) -> set[str]:
    """Find what a value, or what lies in it, may be."""
    found = schema.get("type", [])
    inner = [*schema.get("oneOf", []), *([schema["items"]] if "items" in schema else [])]
    inner += [schema["additionalProperties"]] if isinstance(schema.get("additionalProperties"), dict) else []
    return set([found] if isinstance(found, str) else found).union(*map(kinds, inner))


def is_a_measure(field: str, schema: Schema) -> bool:
    return field in AMOUNTS or bool(kinds(schema) & NUMBERS and field not in WITHOUT_UNIT)


def test_every_field_says_what_it_means_and_in_which_unit(description: Schema) -> None:
    found = list(fields(description))
    assert len(found) > 900
    assert [(name, field) for name, field, told in found if not told.get("description")] == []
    measured = [(name, field, told) for name, field, told in found if is_a_measure(field, told)]
    assert len(measured) > 200
    assert [(name, field) for name, field, told in measured if not UNIT.search(told["description"])] == []


def test_every_field_has_an_example_that_its_schema_allows(description: Schema) -> None:
    """What consists of fields of its own has theirs."""
    plain = [(name, field, told) for name, field, told in fields(description) if "$ref" not in repr(told)]
    assert len(plain) > 800
    assert [(name, field) for name, field, told in plain if len(told.get("examples", [])) != 1] == []
    refused = [
        (name, field)
        for name, field, told in plain
        if not jsonschema_rs.validator_for(told).is_valid(told["examples"][0])
    ]
    assert refused == []


def test_a_number_that_may_be_missing_keeps_its_least_value(description: Schema) -> None:
    """The framework drops a limit of 0 where null may stand too."""
    schemas = description["components"]["schemas"]
    assert schemas["StockSettingRecord"]["properties"]["floor_qty"]["minimum"] == 0
    assert schemas["StockSettingRecord"]["properties"]["target"]["exclusiveMinimum"] == 0
    assert schemas["StockRecord"]["properties"]["on_hand"]["minimum"] == 0


def test_every_parameter_says_what_it_means(description: Schema) -> None:
    told = [
        (path, parameter)
        for _, path, operation in operations(description)
        for parameter in operation.get("parameters", [])
    ]
    assert len(told) > 400
    assert [(path, one["name"]) for path, one in told if not one.get("description")] == []
    measured = [one for _, one in told if is_a_measure(one["name"], one["schema"]) and one["name"] not in PLACES]
    assert {one["name"] for one in measured} >= {"limit", "budget"}
    assert {one["name"] for one in measured if not UNIT.search(one["description"])} == set()


def test_every_operation_declares_its_errors_as_problem_documents(description: Schema) -> None:
    for method, path, operation in operations(description):
        declared = {status: told for status, told in operation["responses"].items() if status >= "400"}
        assert declared.keys() >= ON_EVERY_ROUTE, (method, path)
        assert "requestBody" not in operation or declared.keys() >= WITH_A_BODY, (method, path)
        for status, told in declared.items():
            assert told["description"] == KIND_OF_STATUS[int(status)].title
            assert told["content"].keys() <= {"application/problem+json", "text/plain"}, (method, path, status)
            assert "text/plain" not in told["content"] or path.startswith("/v1/cell/"), (method, path, status)
            problem = told["content"].get("application/problem+json")
            if problem is not None:
                assert problem["schema"]["$ref"].endswith("/ProblemDocument"), (method, path, status)


def test_every_list_is_declared_as_csv_and_as_a_workbook(description: Schema) -> None:
    lists = 0
    for method, path, operation in operations(description):
        for content in (told.get("content", {}) for told in operation["responses"].values()):
            if "/Page" in content.get("application/json", {}).get("schema", {}).get("$ref", ""):
                lists += 1
                assert content.keys() == {"application/json", "text/csv", WORKBOOK}, (method, path)
    assert lists > len(FILES)


def test_what_a_cell_may_hold_stays_in_the_description(description: Schema) -> None:
    """An import's error names what was expected; the description says the same after the meaning."""
    kit = description["components"]["schemas"][RECORDS["kits"].__name__]["properties"]
    assert kit["lead_time_days"]["description"] == "How long an order takes [days]; a whole number of days, 0 or more"


def test_every_parameter_has_an_example_that_may_stand_there(description: Schema) -> None:
    told = [
        (f"{method} {path} {one['name']}", one)
        for method, path, operation in operations(description)
        for one in operation.get("parameters", [])
    ]
    assert [where for where, one in told if one.get("example") is None] == []
    for where, one in told:
        assert jsonschema_rs.validator_for(one["schema"]).is_valid(one["example"]), (where, one)
