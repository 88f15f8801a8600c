"""Cells: text to values and back; how a column is read follows from the type of its field in the Struct."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from types import NoneType
from typing import Any, cast

from msgspec import NODEFAULT, Struct, inspect

from models.base import code_key
from models.partial_days import first_day
from service.schemas.columns import TEXT, check_money
from service.schemas.records import EVERY_ITEM

Read = Callable[[str], Any]

PROTECTED = tuple("=+-@\t\r'")  # a spreadsheet takes text that begins so for a formula, or hides the sign
WHOLE_NUMBER = re.compile(r"[+-]?\d{1,15}", re.ASCII)
NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{1,400})?", re.ASCII)  # the least float has 324 decimals
DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass(frozen=True, kw_only=True)
class CellColumn:
    """How the cells of a column are read; `read` raises ValueError where a cell is not as `expected`."""

    name: str
    expected: str
    read: Read
    empty: Callable[[], Any]
    required: bool
    has_decimals: bool
    has_days: bool


def cell_columns(record: type[Struct]) -> dict[str, CellColumn]:
    """Derive how a file is read from the Struct of its rows.

    Parameters
    ----------
    record : type of Struct
        Its fields say type, bounds and description.

    Returns
    -------
    dict
        By header, in the order of the fields.
    """
    described = cast(inspect.StructType, inspect.type_info(record))
    return {field.name: _column(field) for field in described.fields}


def day_columns(shape: type[Struct]) -> list[str]:
    """Name the columns that hold a day, known to the day or less.

    Parameters
    ----------
    shape : type of Struct
        Of the rows.

    Returns
    -------
    list of str
        Lists and mappings of days are not among them.
    """
    described = cast(inspect.StructType, inspect.type_info(shape))
    return [field.name for field in described.fields if _is_day(field.type)]


def cell_text(value: object, *, decimal_mark: str) -> str:
    """Write a value as a cell.

    Parameters
    ----------
    value : object
        None, text, a number, a date, a flag, or a list or mapping of those.
    decimal_mark : str
        `.` or `,`.

    Returns
    -------
    str
        What `cell_columns` reads back; text that a spreadsheet would take for a formula has a `'` in front.
    """
    write = next(WRITERS[kind] for kind in type(value).__mro__ if kind in WRITERS)
    text = write(value)
    if isinstance(value, float | Decimal):
        return text.replace(".", decimal_mark)
    return f"'{text}" if isinstance(value, str | list | dict) and text.startswith(PROTECTED) else text


def unprotected(cell: str) -> str:
    """Remove the one `'` that an export puts in front of text.

    Parameters
    ----------
    cell : str
        As it stands in the file.

    Returns
    -------
    str
        Unchanged where no export would have put one.

    Examples
    --------
    >>> unprotected("'=1"), unprotected("''90s seat"), unprotected("'90s seat")
    ('=1', "'90s seat", "'90s seat")
    """
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(PROTECTED) else cell


def _column(field: inspect.Field) -> CellColumn:
    kind, description = _bare(field.type)
    return CellColumn(
        name=field.name,
        expected=description,
        read=_reader_of(field.type),
        empty=NoneType if field.default_factory is NODEFAULT else field.default_factory,
        required=field.required,
        has_decimals=isinstance(kind, inspect.FloatType | inspect.DecimalType),
        has_days=_is_day(kind.value_type if isinstance(kind, inspect.DictType) else field.type),
    )


def _bare(kind: inspect.Type) -> tuple[inspect.Type, str]:
    """Take the type out of its description and out of `| None`."""
    if isinstance(kind, inspect.UnionType):
        some = [part for part in kind.types if not isinstance(part, inspect.NoneType)]
        return _bare(some[0]) if len(some) == 1 else (inspect.UnionType(tuple(some)), "")
    if isinstance(kind, inspect.Metadata):
        return _bare(kind.type)[0], (kind.extra_json_schema or {}).get("description", "")
    return kind, ""


def _is_partial_day(kind: inspect.Type) -> bool:
    if isinstance(kind, inspect.UnionType):
        return any(_is_partial_day(part) for part in kind.types)
    return isinstance(kind, inspect.Metadata) and bool((kind.extra or {}).get("partial_day"))


def _is_day(kind: inspect.Type) -> bool:
    return _is_partial_day(kind) or isinstance(_bare(kind)[0], inspect.DateType)


def _reader_of(kind: inspect.Type) -> Read:
    if _is_partial_day(kind):
        return _read_partial_day
    bare, _ = _bare(kind)
    return READERS[type(bare)](bare)


def _union_reader(kind: inspect.UnionType) -> Read:
    readers = [_reader_of(part) for part in kind.types]

    def read(cell: str) -> Any:
        for reader in readers[:-1]:
            try:
                return reader(cell)
            except ValueError:
                continue
        return readers[-1](cell)

    return read


def _text_reader(kind: inspect.StrType) -> Read:
    pattern = re.compile(kind.pattern or "", re.DOTALL)
    longest = kind.max_length

    def read(cell: str) -> str:
        text = cell if kind.pattern == TEXT else cell.strip()
        if not pattern.match(text) or (longest and len(text) > longest):
            raise ValueError(cell)
        return text

    return read


def _number_reader(shape: re.Pattern[str], convert: Callable[[str], Any]) -> Callable[[Any], Read]:
    def reader(kind: inspect.IntType | inspect.FloatType) -> Read:
        def read(cell: str) -> Any:
            value = convert(_matching(shape, cell))
            if (
                (kind.ge is not None and value < kind.ge)
                or (kind.gt is not None and value <= kind.gt)
                or (kind.le is not None and value > kind.le)
                or (kind.lt is not None and value >= kind.lt)
            ):
                raise ValueError(cell)
            return value

        return read

    return reader


def _read_money(cell: str) -> Decimal:
    amount = Decimal(_matching(NUMBER, cell))
    check_money(amount)
    return amount


def _read_day(cell: str) -> date:
    return date.fromisoformat(_matching(DAY, cell))


def _read_partial_day(cell: str) -> str:
    text = cell.strip()
    first_day(text)
    return text


def _word_reader(kind: inspect.LiteralType) -> Read:
    words = {str(word): word for word in kind.values}
    return lambda cell: _word(cell, words)


def _list_reader(kind: inspect.ListType) -> Read:
    read_code = _reader_of(kind.item_type)

    def read(cell: str) -> list[str]:
        codes = [read_code(part) for part in cell.split("|")]
        _refuse_repeated(codes)
        return codes

    return read


def _mapping_reader(kind: inspect.DictType) -> Read:
    read_code, read_value = _reader_of(kind.key_type), _reader_of(kind.value_type)
    dates = _is_day(kind.value_type)

    def read(cell: str) -> dict[str, Any]:
        pairs = [part.rpartition(":") for part in cell.split("|")]
        if not all(colon or dates for _, colon, _ in pairs):
            raise ValueError(cell)
        codes = [read_code(code) if colon else EVERY_ITEM for code, colon, _ in pairs]
        _refuse_repeated(codes)
        return {code: read_value(value) for code, (_, _, value) in zip(codes, pairs, strict=True)}

    return read


def _matching(shape: re.Pattern[str], cell: str) -> str:
    text = cell.strip()
    if not shape.fullmatch(text):
        raise ValueError(cell)
    return text


def _word(cell: str, words: dict[str, Any]) -> Any:
    word = cell.strip().casefold()
    if word not in words:
        raise ValueError(cell)
    return words[word]


def _refuse_repeated(codes: Iterable[str]) -> None:
    keys = [code_key(code) for code in codes]
    if len(set(keys)) < len(keys):
        raise ValueError("the same code twice")


READERS: dict[type[inspect.Type], Callable[[Any], Read]] = {
    inspect.StrType: _text_reader,
    inspect.IntType: _number_reader(WHOLE_NUMBER, int),
    inspect.FloatType: _number_reader(NUMBER, float),
    inspect.DecimalType: lambda _: _read_money,
    inspect.DateType: lambda _: _read_day,
    inspect.BoolType: lambda _: lambda cell: _word(cell, FLAGS),
    inspect.LiteralType: _word_reader,
    inspect.ListType: _list_reader,
    inspect.DictType: _mapping_reader,
    inspect.UnionType: _union_reader,
}


def _plain_digits(value: float | Decimal) -> str:
    return format(Decimal(repr(float(value))) if isinstance(value, float) else value, "f")


WRITERS: dict[type, Callable[[Any], str]] = {
    NoneType: lambda _: "",
    str: str,
    bool: lambda flag: "true" if flag else "false",
    int: int.__repr__,
    float: _plain_digits,
    Decimal: _plain_digits,
    date: date.isoformat,
    datetime: datetime.isoformat,
    list: lambda codes: "|".join(codes),
    dict: lambda pairs: "|".join(
        f"{code}:{WRITERS[type(value)](value)}" if code else WRITERS[type(value)](value)
        for code, value in pairs.items()
    ),
}
