"""Hypothesis generators: records of every file as a client would send them, valid, with names that are hard to bear."""

from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from hypothesis import strategies as st
from msgspec import inspect, structs

from models.queries.files import FILES
from service.schemas.records import RECORDS
from service.use_cases.check_records import RULES

Body = dict[str, Any]

TAGS = ("FV-101A/B", "LV 7%2F")
CODES = ("A", "b/c", "Ü-1", "0012", "'=1+1", "x.y?z#", "%41", "ВЕНТИЛЬ", "-", "a b")
SUCCESSORS = ("NEW-1", "NEW/2")
KEPT_WITH_KEY = ("done_on", "action", "found_on", "last_ok_on")
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2025, 12, 31)

names = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20) | st.sampled_from((
    "=1",
    "'",
    "\r\n",
))
days = st.dates(FIRST_DAY, LAST_DAY).map(date.isoformat)
partial_days = days | days.map(lambda day: day[:7]) | days.map(lambda day: day[:4])
amounts = st.decimals(0, 10**6, places=2).map(lambda amount: str(Decimal(amount)))


@cache
def records(file: str) -> st.SearchStrategy[Body]:
    """Draw records of a file: every column given, clear or left out, none against a rule."""
    fields = structs.fields(RECORDS[file])
    required = {field.name: _column(file, field) for field in fields if field.required}
    optional = {field.name: _column(file, field) for field in fields if not field.required}
    return st.fixed_dictionaries(required, optional=optional).map(lambda body: _mended(file, body))


@st.composite
def records_and_changes(draw: st.DrawFn, file: str) -> tuple[Body, Body]:
    """Draw records and a change of each: columns of another one, but for those that it is known by."""
    body, other = draw(records(file)), draw(records(file))
    fixed = (*FILES[file].key, *(KEPT_WITH_KEY if file == "events" else ()))
    merged = _mended(file, {**body, **other, **{name: body.get(name) for name in fixed}})
    return body, {name: value for name, value in merged.items() if name not in fixed}


def _column(file: str, field: structs.FieldInfo) -> st.SearchStrategy[Any]:
    reference = next((one for one in FILES[file].references if one.name == field.name), None)
    described = next(one for one in inspect.type_info(RECORDS[file]).fields if one.name == field.name)  # type: ignore[attr-defined]
    if reference is not None and reference.file == "valves":
        codes: st.SearchStrategy[Any] = st.sampled_from(TAGS)
        return codes if field.required else codes | st.none()
    if field.name == "superseded_by":
        return st.sampled_from(SUCCESSORS) | st.none()
    return _value(described.type)


def _value(kind: inspect.Type) -> st.SearchStrategy[Any]:
    if isinstance(kind, inspect.Metadata):
        if (kind.extra or {}).get("partial_day"):
            return partial_days
        if (kind.extra_json_schema or {}).get("description", "").startswith("an amount of money"):
            return amounts
        return _value(kind.type)
    drawn: st.SearchStrategy[Any] = DRAWN[type(kind)](kind)
    return drawn


def _text(kind: inspect.StrType) -> st.SearchStrategy[Any]:
    if kind.pattern is None:
        return names
    if kind.pattern.startswith("^(I|"):  # a seat leakage class
        return st.sampled_from(("I", "II", "III", "IV", "V", "VI"))
    return st.sampled_from(CODES)


def _number(kind: inspect.IntType) -> st.SearchStrategy[Any]:
    return st.integers(kind.ge if kind.ge is not None else 0, kind.le if kind.le is not None else 100)


def _measure(kind: inspect.FloatType) -> st.SearchStrategy[Any]:
    most = kind.le if kind.le is not None else kind.lt
    return st.floats(0.001, min(float(most or 1), 1e6) * 0.999)


DRAWN: dict[type[inspect.Type], Any] = {
    inspect.UnionType: lambda kind: st.one_of(*map(_value, kind.types)),
    inspect.NoneType: lambda _: st.none(),
    inspect.StrType: _text,
    inspect.IntType: _number,
    inspect.FloatType: _measure,
    inspect.DecimalType: lambda _: amounts,
    inspect.DateType: lambda _: days,
    inspect.BoolType: lambda _: st.booleans(),
    inspect.LiteralType: lambda kind: st.sampled_from(kind.values),
    inspect.ListType: lambda kind: st.lists(_value(kind.item_type), max_size=3, unique=True),
    inspect.DictType: lambda kind: st.dictionaries(_value(kind.key_type), _value(kind.value_type), max_size=3),
}


def _mended(file: str, body: Body) -> Body:
    """Give way where two columns don't go together."""
    columns = {field.name: None for field in structs.fields(RECORDS[file])}
    for rule in RULES.get(file, ()):
        if not rule.holds(columns | body):
            needed = {
                "qty": 1,
                "ends_on": body.get("starts_on"),
                "interval_days": None if body.get("policy") == "corrective" else 30,
            }
            body = {**body, rule.column: needed.get(rule.column)}
    return body
