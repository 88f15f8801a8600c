"""What is wrong with a body, field by field: where, what stands there, and what was expected, in a clerk's words."""

import json
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import msgspec
from msgspec import inspect, structs

from service.schemas.columns import TEXT, check_money, check_partial_days

SHOWN = 200  # characters of a value that an error repeats
PLACE = re.compile(r" - at (`key` in )?`\$([^`]*)`")
STEP = re.compile(r"\[(\d+)\]|\.([^.\[]+)")


@dataclass(frozen=True, kw_only=True)
class BodyMisfit:
    """One value that is not as expected; `pointer` is a JSON pointer (RFC 6901)."""

    pointer: str
    value: str
    expected: str


def misfits_of(body: Any, shape: Any) -> list[BodyMisfit]:
    """Find everything that is wrong with a body.

    Parameters
    ----------
    body : anything JSON may hold
        As it was sent.
    shape : type of Struct
        What was expected, or a union of one with None.

    Returns
    -------
    list of BodyMisfit
        One for each field that is wrong; empty if none is found.
    """
    told = inspect.type_info(shape)
    wanted = next((one for one in _alternatives(told) if isinstance(one, inspect.StructType)), None)
    if wanted is None:
        return []
    if not isinstance(body, dict):
        return [BodyMisfit(pointer="", value=shown(body), expected=_words(wanted, body))]
    return [*_of_names(body, wanted), *_of_fields(body, wanted)]


def shown(value: Any) -> str:
    """Write a value as an error shows it.

    Parameters
    ----------
    value : anything JSON may hold
        As it was sent.

    Returns
    -------
    str
        At most 200 characters of it; text without quotation marks.
    """
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}..."


def parameter_words(annotation: Any, limits: Any) -> str:
    """Say what a parameter of an address takes.

    Parameters
    ----------
    annotation : type
        Of its value.
    limits : object
        May have bounds as `ge`, `gt`, `le`, `lt`, and a `max_length` [characters].

    Returns
    -------
    str
        In plain words; that it may be left out goes without saying.
    """
    said = [
        _plain(one, None)
        for one in _alternatives(inspect.type_info(annotation))
        if not isinstance(one, inspect.NoneType)
    ]
    bounds = [
        f"{words} {getattr(limits, name):.15g}{unit}"
        for name, words, unit in (
            ("gt", "more than", ""),
            ("ge", "at least", ""),
            ("lt", "less than", ""),
            ("le", "at most", ""),
            ("max_length", "at most", " characters"),
        )
        if getattr(limits, name, None) is not None
    ]
    return ", ".join([" or ".join(dict.fromkeys(said)), *bounds])


def _of_names(body: dict[str, Any], wanted: inspect.StructType) -> Iterator[BodyMisfit]:
    names = [field.encode_name for field in wanted.fields]
    for name in body.keys() - set(names):
        if wanted.forbid_unknown_fields:
            expected = f"one of the fields {_listed(names)}"
            yield BodyMisfit(pointer=_pointer(name), value=shown(body[name]), expected=expected)
    for field in wanted.fields:
        if field.required and field.encode_name not in body:
            yield BodyMisfit(
                pointer=_pointer(field.encode_name), value="", expected=f"{_words(field.type, None)}; it is needed"
            )


def _of_fields(body: dict[str, Any], wanted: inspect.StructType) -> Iterator[BodyMisfit]:
    types = {field.encode_name: field.type for field in structs.fields(wanted.cls)}
    for field in wanted.fields:
        if field.encode_name in body:
            yield from _of_field(field, types[field.encode_name], body[field.encode_name])


def _of_field(field: inspect.Field, annotation: Any, value: Any) -> Iterator[BodyMisfit]:
    try:
        converted = msgspec.convert(value, annotation, strict=False)
    except msgspec.ValidationError as error:
        if entries := _of_entries(field, annotation, value):
            yield from entries
            return
        steps = _steps(str(error))
        at, told = _reached(value, field.type, steps)
        yield BodyMisfit(pointer=_pointer(field.encode_name, *steps), value=shown(at), expected=_words(told, at))
    else:
        if not _holds(field.type, converted):
            yield BodyMisfit(
                pointer=_pointer(field.encode_name), value=shown(value), expected=_words(field.type, value)
            )


def _of_entries(field: inspect.Field, annotation: Any, value: Any) -> list[BodyMisfit]:
    """Look at the entries of a mapping one by one: the decoder doesn't say which of them it refuses."""
    told = next((bare for one in _alternatives(field.type) if isinstance(bare := _bare(one), inspect.DictType)), None)
    if told is None or not isinstance(value, dict):
        return []
    found = []
    for name, one in value.items():
        try:
            msgspec.convert({name: one}, annotation, strict=False)
        except msgspec.ValidationError as error:
            is_name = "at `key`" in str(error)
            told_of, expected = (name, f"as a name, {_words(told.key_type, name)}") if is_name else (one, "")
            expected = expected or _words(told.value_type, one)
            pointer = _pointer(field.encode_name, name)
            found.append(BodyMisfit(pointer=pointer, value=shown(told_of), expected=expected))
    return found


def _holds(told: inspect.Type, value: Any) -> bool:
    """Check what a type can't say: amounts have bounds, and a calendar not every day."""
    for one in _alternatives(told):
        with_day = isinstance(one, inspect.Metadata) and (one.extra or {}).get("partial_day")
        try:
            if isinstance(_bare(one), inspect.DecimalType) and value is not None:
                check_money(value)
            elif with_day and isinstance(value, str):
                check_partial_days(value)
        except ValueError:
            return False
    return True


def _steps(message: str) -> list[str]:
    found = PLACE.search(message)
    if found is None:
        return []
    # the decoder hides the names of a mapping, so nothing behind one can be pointed to
    return [number or name for number, name in STEP.findall(found[2].partition("[...]")[0])]


def _reached(value: Any, told: inspect.Type, steps: Sequence[str]) -> tuple[Any, inspect.Type]:
    for step in steps:
        bare = next((_bare(one) for one in _alternatives(told) if not isinstance(one, inspect.NoneType)), told)
        if isinstance(bare, inspect.ListType | inspect.VarTupleType):
            value, told = value[int(step)], bare.item_type
        elif isinstance(bare, inspect.StructType):
            field = next((one for one in bare.fields if one.encode_name == step), None)
            value, told = value.get(step), told if field is None else field.type
    return value, told


def _alternatives(told: inspect.Type) -> Sequence[inspect.Type]:
    inner = _bare(told)
    return inner.types if isinstance(inner, inspect.UnionType) else (told,)


def _bare(told: inspect.Type) -> inspect.Type:
    return told.type if isinstance(told, inspect.Metadata) else told


def _words(told: inspect.Type, value: Any) -> str:
    alternatives = _alternatives(told)
    said = [_plain(one, value) for one in alternatives if not isinstance(one, inspect.NoneType)]
    described = _description(told)
    words = described if described and len(said) > 1 else " or ".join(dict.fromkeys(said))
    return f"{words}, or null" if any(isinstance(one, inspect.NoneType) for one in alternatives) else words


def _plain(told: inspect.Type, value: Any) -> str:
    bare = _bare(told)
    for kind, say in PLAIN.items():
        if isinstance(bare, kind):
            return str(say(bare, value))
    words = (
        _listed([str(one) for one in bare.values]) if isinstance(bare, inspect.LiteralType) else NAMED.get(type(bare))
    )
    return _limited(bare, value, _description(told) or words or "another value")


def _description(told: inspect.Type) -> str:
    return str((told.extra_json_schema or {}).get("description", "")) if isinstance(told, inspect.Metadata) else ""


def _limited(bare: inspect.Type, value: Any, words: str) -> str:
    """Add what the words leave out, where the value breaks just that."""
    if isinstance(bare, inspect.StrType) and isinstance(value, str):
        if bare.pattern == TEXT:
            return f"{words}, not only blanks and without a NUL character"
        if bare.max_length is not None and len(value) > bare.max_length and str(bare.max_length) not in words:
            return f"{words}, at most {bare.max_length} characters"
    if isinstance(bare, inspect.IntType | inspect.FloatType):
        bounds = [
            f"{name} {limit:,.15g}"
            for name, limit in (
                ("more than", bare.gt),
                ("at least", bare.ge),
                ("less than", bare.lt),
                ("at most", bare.le),
            )
            if limit is not None
            and f"{limit:.15g}" not in words
            and (words == NAMED.get(type(bare)) or (name == "at most" and _is_beyond(value, limit)))
        ]
        return ", ".join([words, *bounds])
    return words


def _is_beyond(value: Any, limit: float) -> bool:
    with suppress(TypeError, ValueError):
        return float(value) > limit
    return False


def _list(told: Any, _: Any) -> str:
    return f"a list, each entry {_words(told.item_type, None)}"


def _mapping(told: Any, _: Any) -> str:
    names, values = _words(told.key_type, None), _words(told.value_type, None)
    return f"an object whose names are each {names}, and whose values are each {values}"


def _struct(told: Any, _: Any) -> str:
    return f"an object with the fields {_listed([field.encode_name for field in told.fields], last='and')}"


PLAIN: dict[Any, Any] = {
    inspect.ListType: _list,
    inspect.VarTupleType: _list,
    inspect.DictType: _mapping,
    inspect.StructType: _struct,
}
NAMED: dict[type[inspect.Type], str] = {
    inspect.StrType: "text",
    inspect.IntType: "a whole number",
    inspect.FloatType: "a number",
    inspect.BoolType: "true or false",
    inspect.DecimalType: "an amount like 1200.50",
    inspect.DateType: "a date like 2017-04-30",
    inspect.DateTimeType: "a moment like 2026-05-01T12:00:00Z",
}


def _listed(names: Sequence[str], *, last: str = "or") -> str:
    return f" {last} ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def _pointer(*steps: str) -> str:
    return "".join(f"/{step.replace('~', '~0').replace('/', '~1')}" for step in steps)
