"""Every 400 of a JSON body: which field, what stands there, what was expected, in words that a clerk reads."""

import re
from typing import Any

import pytest
from litestar.testing import TestClient

from service.body_misfits import misfits_of
from service.schemas.records import EventRecord, KitRecord, ValveRecord
from service.schemas.what_if import WhatIfRequest

Client = TestClient[Any]
Schema = dict[str, Any]

WRONG: list[Any] = [{"no": ["such"]}, [1, {"a": 2}], "\x00", " ", -5, 1e300, True, "x" * 5000, "2026-02-30"]
NO_WORDS_OF_OURS = re.compile(
    r"[`^$\\<>]|regex|RFC ?\d|[Ii]nvalid|Expected|matching|enum|\bgot\b|\b(str|int|bool|dict|NoneType|decimal|array)\b"
    r"|msgspec|Struct|[a-z](Record|Change|Request|Out)\b|Traceback"
)
EVENT = {"tag": "FV-101", "done_on": "2026-01-31", "action": "rebuild"}


def wrote(description: Schema) -> list[tuple[str, str, Schema]]:
    """List the routes that take a JSON body, with the fields of it."""
    schemas = description["components"]["schemas"]
    found = []
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            content = operation.get("requestBody", {}).get("content", {}).get("application/json")
            if content is not None:
                kinds = content["schema"].get("oneOf", [content["schema"]])
                name = next(kind["$ref"] for kind in kinds if "$ref" in kind).rpartition("/")[2]
                found.append((method, path, schemas[name]["properties"]))
    return found


def test_each_field_of_each_write_says_in_plain_words_what_it_takes(sqlite_client: Client) -> None:
    routes = wrote(sqlite_client.get("/schema/openapi.json").json())
    asked = 0
    for method, path, fields in routes:
        address = re.sub(r"\{[^}]*\}", "1", path)
        for field in fields:
            for wrong in WRONG:
                answer = sqlite_client.request(method, address, json={field: wrong}, headers={"If-Match": '"x"'})
                where = (method, path, field, wrong)
                assert answer.status_code < 500, where
                errors = [
                    one for one in answer.json().get("errors", ()) if one.get("pointer", "").startswith(f"/{field}")
                ]
                assert errors or wrong != WRONG[0], where
                for one in errors:
                    assert one["value"] is not None, where
                    assert 3 < len(one["expected"]) < 400, where
                    assert not NO_WORDS_OF_OURS.search(one["expected"]), (where, one)
                asked += len(errors)
    assert len(routes) >= 57
    assert asked > 1000


def test_whatever_is_wrong_is_told_at_once(sqlite_client: Client) -> None:
    body = {"tag": "FV|1", "done_on": "2026-02-30", "action": "polish", "labour_hours": -1, "colour": "red"}
    answer = sqlite_client.post("/v1/events", json=body)
    assert (answer.status_code, answer.json()["detail"]) == (400, "Something is not as expected.")
    assert {one["pointer"]: (one["value"], one["expected"]) for one in answer.json()["errors"]} | {"/colour": ()} == {
        "/tag": ("FV|1", "a code of 1 to 60 printable characters without | or :"),
        "/done_on": ("2026-02-30", "a date like 2017-04-30, 2017-04 or 2017"),
        "/action": ("polish", "rebuild, exchange, inspect or reclassify"),
        "/labour_hours": ("-1", "a number, 0 or more, or null"),
        "/colour": (),
    }
    colour = next(one for one in answer.json()["errors"] if one["pointer"] == "/colour")
    assert colour["value"] == "red"
    assert colour["expected"].startswith("one of the fields ref, tag, found_on, done_on")


@pytest.mark.parametrize(
    ("shape", "body", "pointer", "value", "expected"),
    [
        (EventRecord, [], "", "[]", "an object with the fields ref, tag,"),
        (
            EventRecord,
            {"tag": "A", "action": "rebuild"},
            "/done_on",
            "",
            "a date like 2017-04-30, 2017-04 or 2017; it is",
        ),
        (EventRecord, EVENT | {"renewed": ["trim", "a|b"]}, "/renewed/1", "a|b", "a code of 1 to 60 printable"),
        (
            EventRecord,
            EVENT | {"as_found": {"trim": "ok", "a/b~": "bad"}},
            "/as_found/a~1b~0",
            "bad",
            "failed, ok or worn",
        ),
        (EventRecord, EVENT | {"kits_used": {"K-1": 0}}, "/kits_used/K-1", "0", "a whole number, 1 or more"),
        (EventRecord, EVENT | {"kits_used": {"a|b": 1}}, "/kits_used/a|b", "a|b", "as a name, a code of 1 to 60"),
        (EventRecord, EVENT | {"note": "  "}, "/note", "  ", "text of at most 4000 characters, not only blanks"),
        (KitRecord, {"code": "K", "unit_cost": "-1"}, "/unit_cost", "-1", "an amount of money, 0 or more"),
        (
            KitRecord,
            {"code": "K", "pack_qty": 10**10},
            "/pack_qty",
            "10000000000",
            "a whole number, 1 or more, at most 1,000",
        ),
        (ValveRecord, {"tag": "T", "safety_related": 7}, "/safety_related", "7", "true or false, or null"),
        (
            WhatIfRequest,
            {"policies": [{"policy": "corrective"}]},
            "/policies/0",
            '{"policy": "corrective"}',
            "an object with",
        ),
    ],
)
def test_the_pointer_reaches_what_is_wrong(shape: Any, body: Any, pointer: str, value: str, expected: str) -> None:
    [found] = misfits_of(body, shape)
    assert (found.pointer, found.value) == (pointer, value)
    assert found.expected.startswith(expected)


def test_nothing_is_wrong_with_what_may_be_sent() -> None:
    assert misfits_of(EVENT | {"kits_used": {"K-1": 2}, "cost": "12.50", "note": None}, EventRecord) == []


def test_a_long_value_is_cut() -> None:
    [found] = misfits_of(EVENT | {"ref": "x" * 5000}, EventRecord)
    assert found.value == "x" * 200 + "..."
