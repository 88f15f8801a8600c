"""CSV byte by byte: what is read, what is refused and where, what is written, and that both agree."""

from datetime import date
from decimal import Decimal
from io import BytesIO
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.csv_tables import ParsedTable, RowError, parse_table, write_table
from service.schemas.records import RECORDS, KitRecord

CI = settings(max_examples=200, derandomize=True, deadline=None)
BOM = b"\xef\xbb\xbf"


def parse(file: str, content: str | bytes) -> ParsedTable:
    return parse_table(file, BytesIO(content.encode() if isinstance(content, str) else content))


def rows(file: str, content: str | bytes) -> list[dict[str, Any]]:
    table = parse(file, content)
    assert table.errors == []
    return table.rows


def places(table: ParsedTable) -> list[tuple[int | None, str | None, str]]:
    return [(error.line, error.column, error.value) for error in table.errors]


TWO_KITS = [{"code": "K-1", "unit_cost": Decimal("1.5")}, {"code": "K-2", "unit_cost": None}]


@pytest.mark.parametrize(
    "content",
    [
        b"code,unit_cost\r\nK-1,1.5\r\nK-2,\r\n",
        b"code;unit_cost\r\nK-1;1,5\r\nK-2;\r\n",
        b"code;unit_cost\nK-1;1.5\nK-2;\n",
        BOM + b"code,unit_cost\nK-1,1.5\nK-2,",
        BOM + b"code;unit_cost\rK-1;1,5\rK-2;\r",
        b'"Code","UNIT_COST"\nK-1,1.5\nK-2,\n',
        b"\n code ,unit_cost\n K-1 , 1.5 \n\n,\nK-2,\n,,,,\n",
    ],
    ids=["comma", "semicolon", "semicolon and point", "mark", "mark and old Mac", "quoted", "blanks"],
)
def test_one_table_in_many_hands(content: bytes) -> None:
    """Delimiter, line end, byte order mark, blanks around cells and rows without text make no difference."""
    assert rows("kits", content) == TWO_KITS


def test_a_header_alone_is_a_file_without_rows() -> None:
    assert rows("kits", "code,name\r\n") == []


def test_each_kind_of_cell_is_read() -> None:
    valve = rows(
        "valves",
        "tag,installed_on,last_renewed_on,safety_related,isolable_on_run,consequence\n"
        "FV-1,2015-04-01,packing:2015-04|2012-06-30,yes,FALSE,Stops\n",
    )
    assert valve == [
        {
            "tag": "FV-1",
            "installed_on": "2015-04-01",
            "last_renewed_on": {"packing": "2015-04", "": "2012-06-30"},
            "safety_related": True,
            "isolable_on_run": False,
            "consequence": "stops",
        }
    ]
    event = rows(
        "events",
        "tag,done_on,action,as_found,kits_used,renewed,labour_hours,cost\n"
        "FV-1,2015-04-01,rebuild,trim:failed|packing:ok,K-1:1|K-2:12,trim|packing,6.5,0.10\n",
    )
    assert event[0]["as_found"] == {"trim": "failed", "packing": "ok"}
    assert event[0]["kits_used"] == {"K-1": 1, "K-2": 12}
    assert event[0]["renewed"] == ["trim", "packing"]
    assert event[0]["labour_hours"] == 6.5
    assert str(event[0]["cost"]) == "0.10"


def test_an_empty_cell_is_nothing_or_an_empty_list() -> None:
    (event,) = rows("events", "tag,done_on,action,found_on,renewed,kits_used\nFV-1,2015-04-01,rebuild, ,,\n")
    assert (event["found_on"], event["renewed"], event["kits_used"]) == (None, [], {})


def test_the_protecting_apostrophe_is_removed_once_and_only_where_an_export_puts_it() -> None:
    texts = ["'=1+1", "''quoted", "'90s seat", "''", "'-5"]
    content = "code,name\n" + "".join(f"K-{number},{text}\n" for number, text in enumerate(texts))
    assert [row["name"] for row in rows("kits", content)] == ["=1+1", "'quoted", "'90s seat", "'", "-5"]


BAD: list[tuple[str, str, str | bytes, list[tuple[int | None, str | None, str]], str]] = [
    ("empty", "kits", "", [(1, None, "")], "a header with code"),
    ("blank lines only", "kits", "\n;;\n", [(1, None, "")], "a header with code"),
    ("not UTF-8", "kits", "code\nä".encode("latin-1"), [(2, None, "byte 0xe4 at position 5")], "UTF-8"),
    ("UTF-16", "kits", "code\nK".encode("utf-16"), [(1, None, "byte 0xff at position 0")], "UTF-8"),
    ("NUL", "kits", "code\nK-1\nK\0", [(3, None, "\\0")], "without NUL"),
    ("unknown column", "kits", "code,colour\nK,red", [(1, "colour", "colour")], "code, name, renews"),
    ("nameless column", "kits", "code,\nK,", [(1, "", "")], "a column of this file"),
    ("column twice", "kits", "code,name,Name\nK,a,b", [(1, "name", "name")], "each column once"),
    ("no key column", "kits", "name\nx", [(1, "code", "")], "a column code"),
    ("too few cells", "kits", "code,name\nK", [(2, None, "1 of 2 cells")], "one cell for each column"),
    ("too many cells", "kits", "code,name\nK,a,b", [(2, None, "3 of 2 cells")], "one cell for each column"),
    ("open quote", "kits", 'code\n"K', [(2, None, "unexpected end of data")], "quotes around a cell"),
    ("text after a quote", "kits", 'code\n"K"x', [(2, None, "',' expected after '\"'")], "doubled inside"),
    ("no code", "kits", "code,name\n,x", [(2, "code", "")], "can't be empty"),
    ("code with |", "kits", "code\nK|1", [(2, "code", "K|1")], "printable characters"),
    ("code with :", "kits", "code\nK:1", [(2, "code", "K:1")], "printable characters"),
    ("code with a line", "kits", 'code\n"K\n1"', [(2, "code", "K\n1")], "printable characters"),
    ("long code", "kits", f"code\n{'K' * 61}", [(2, "code", "K" * 61)], "1 to 60"),
    ("long name", "kits", f"code,name\nK,{'x' * 201}", [(2, "name", "x" * 100 + "...")], "at most 200"),
    ("day by day first", "valves", "tag,installed_on\nV,31.12.2020", [(2, "installed_on", "31.12.2020")], "a date"),
    ("no such day", "valves", "tag,installed_on\nV,2023-02-29", [(2, "installed_on", "2023-02-29")], "2017-04-30"),
    ("short date", "valves", "tag,installed_on\nV,20230228", [(2, "installed_on", "20230228")], "a date"),
    ("flag", "valves", "tag,safety_related\nV,maybe", [(2, "safety_related", "maybe")], "true or false"),
    ("word", "valves", "tag,consequence\nV,dire", [(2, "consequence", "dire")], "stops, curtails"),
    ("fraction", "kits", "code,pack_qty\nK,1.5", [(2, "pack_qty", "1.5")], "a whole number"),
    ("below the least", "kits", "code,pack_qty\nK,0", [(2, "pack_qty", "0")], "1 or more"),
    ("negative", "kits", "code,lead_time_days\nK,-1", [(2, "lead_time_days", "-1")], "0 or more"),
    ("too large", "kits", "code,pack_qty\nK,2000000000", [(2, "pack_qty", "2000000000")], "1 or more"),
    ("not a number", "kits", "code,unit_cost\nK,nan", [(2, "unit_cost", "nan")], "an amount of money"),
    ("exponent", "kits", "code,unit_cost\nK,1e3", [(2, "unit_cost", "1e3")], "an amount of money"),
    ("thousands", "kits", 'code,unit_cost\nK,"1,000.5"', [(2, "unit_cost", "1,000.5")], "decimal point"),
    ("too fine", "kits", "code,unit_cost\nK,0.1234567", [(2, "unit_cost", "0.1234567")], "6 decimals"),
    ("not a share", "stock_settings", "storeroom,kit,target\nS,K,1", [(2, "target", "1")], "between 0 and 1"),
    ("other digits", "kits", "code,pack_qty\nK,\N{ARABIC-INDIC DIGIT TWO}", [(2, "pack_qty", "٢")], "a whole"),
    ("code twice in a cell", "kits", "code,renews\nK,trim|Trim", [(2, "renews", "trim|Trim")], "joined by |"),
    ("gap in a cell", "kits", "code,renews\nK,trim||seat", [(2, "renews", "trim||seat")], "joined by |"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "content", "where", "expected"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_what_is_wrong_is_told_with_its_place(
    file: str, content: str | bytes, where: list[tuple[int | None, str | None, str]], expected: str
) -> None:
    table = parse(file, content)
    assert places(table) == where
    assert all(error.file == f"{file}.csv" and expected in error.expected for error in table.errors)
    assert table.rows == []


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("as_found", "trim"),
        ("as_found", "trim:bad"),
        ("as_found", "trim:ok|trim:worn"),
        ("kits_used", "K-1"),
        ("kits_used", "K-1:0"),
        ("kits_used", "K-1:1:2"),
        ("kits_used", ":1"),
        ("renewed", "trim:1"),
    ],
)
def test_a_cell_of_many_is_refused_whole(column: str, cell: str) -> None:
    table = parse("events", f"tag,done_on,action,{column}\nV,2020-01-01,rebuild,{cell}")
    assert places(table) == [(2, column, cell)]


def test_every_bad_cell_is_told_and_good_rows_are_kept() -> None:
    table = parse("kits", "code;unit_cost;pack_qty\nK-1;x;y\nK-2;1;2\n;z;0\nK-4\n")
    assert places(table) == [
        (2, "unit_cost", "x"),
        (2, "pack_qty", "y"),
        (4, "code", ""),
        (4, "unit_cost", "z"),
        (4, "pack_qty", "0"),
        (5, None, "1 of 3 cells"),
    ]
    assert (table.rows, table.lines) == ([{"code": "K-2", "unit_cost": 1, "pack_qty": 2}], [3])


def test_lines_are_those_of_the_file_also_after_a_cell_of_several_lines() -> None:
    table = parse("kits", 'code,name\r\nK-1,"two\r\nlines\r\nand a third"\r\n\r\nK|2,x\r\nK-3,y\r\n')
    assert places(table) == [(6, "code", "K|2")]
    assert table.lines == [2, 7]


@pytest.mark.parametrize(
    ("first", "second", "mark"), [("1,5", "2.5", "comma"), ("1.5", "2,5", "point"), ("1.5", "1.234,5", "point")]
)
def test_a_second_decimal_mark_is_refused_where_it_appears(first: str, second: str, mark: str) -> None:
    table = parse("kits", f"code;unit_cost;lead_time_sd_days\nK-1;7;{first}\nK-2;{second};3\nK-3;{first};\n")
    assert table.errors == [
        RowError(
            "kits.csv",
            3,
            "unit_cost",
            second,
            f"an amount of money, 0 or more, at most 6 decimals, with the decimal {mark} of this file",
        )
    ]


def test_a_decimal_comma_needs_the_semicolon() -> None:
    table = parse("kits", 'code,unit_cost\nK-1,"1,5"\n')
    assert places(table) == [(2, "unit_cost", "1,5")]


@pytest.mark.parametrize("text", ["", " ", "\u2003\n", "a\0b"])
def test_text_that_no_file_could_hold_is_refused_from_json_too(text: str) -> None:
    """Else an export would not give it back: a cell of blanks is an empty one."""
    with pytest.raises(msgspec.ValidationError, match=r"\$.name"):
        msgspec.convert({"code": "K-1", "name": text}, RECORDS["kits"])
    assert msgspec.convert({"code": "K-1", "name": " a\n"}, KitRecord).name == " a\n"


ROW = {
    "text": 'say "x", then',
    "formula": "=1+1",
    "count": 3,
    "share": 0.125,
    "small": 1e-7,
    "money": Decimal("1.50"),
    "day": date(2024, 2, 29),
    "flag": True,
    "codes": ["a", "b"],
    "pairs": {"": date(2020, 1, 1), "trim": date(2021, 1, 1)},
    "nothing": None,
}


def test_a_comma_file_is_written_byte_for_byte() -> None:
    assert "".join(write_table([*ROW, "absent"], [ROW], dialect="comma")) == (
        "text,formula,count,share,small,money,day,flag,codes,pairs,nothing,absent\r\n"
        '"say ""x"", then",\'=1+1,3,0.125,0.0000001,1.50,2024-02-29,true,a|b,2020-01-01|trim:2021-01-01,,\r\n'
    )


def test_a_semicolon_file_is_written_byte_for_byte() -> None:
    """With byte order mark and decimal comma, as a spreadsheet set to such a language opens it."""
    assert "".join(write_table(list(ROW), [ROW], dialect="semicolon")) == (
        "\ufefftext;formula;count;share;small;money;day;flag;codes;pairs;nothing\r\n"
        '"say ""x"", then";\'=1+1;3;0,125;0,0000001;1,50;2024-02-29;true;a|b;2020-01-01|trim:2021-01-01;\r\n'
    )


HOSTILE = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0") | st.sampled_from("=+-@\t\r\n'\"|:;,\ufeff"),
    min_size=1,
    max_size=20,
).filter(str.strip)
CODES = st.from_regex(r"[=+@'\-\"a-zà-ž0-9][ =+@'\-\"a-z0-9;,/]{0,8}[=+@'\-\"a-z0-9;,/]", fullmatch=True)
MONEY = st.decimals(0, 10**12, places=2, allow_nan=False)
FLOATS = st.floats(0, 99_999).map(lambda number: round(number, 9))
DAYS = st.dates()
PARTIAL_DAYS = st.tuples(DAYS, st.sampled_from([4, 7, 10])).map(lambda known: known[0].isoformat()[: known[1]])


def optional(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


KITS = st.fixed_dictionaries({
    "code": CODES,
    "name": optional(HOSTILE),
    "renews": st.lists(CODES, unique_by=str.casefold, max_size=3),
    "unit_cost": optional(MONEY),
    "priced_on": optional(DAYS),
    "lead_time_days": optional(st.integers(0, 100_000)),
    "lead_time_sd_days": optional(FLOATS),
    "superseded_by": optional(CODES),
    "old_fits_new_need": optional(st.booleans()),
})
EVENTS = st.fixed_dictionaries({
    "ref": optional(CODES),
    "tag": CODES,
    "done_on": PARTIAL_DAYS,
    "action": st.sampled_from(["rebuild", "exchange", "inspect", "reclassify"]),
    "as_found": st.dictionaries(CODES, st.sampled_from(["ok", "worn", "failed"]), max_size=3),
    "kits_used": st.dictionaries(CODES, st.integers(1, 10**9), max_size=3),
    "note": optional(HOSTILE),
})
VALVES = st.fixed_dictionaries({
    "tag": CODES,
    "last_renewed_on": st.dictionaries(st.just("") | CODES, PARTIAL_DAYS, max_size=3),
})


@pytest.mark.parametrize("dialect", ["comma", "semicolon"])
@pytest.mark.parametrize(("file", "records"), [("kits", KITS), ("events", EVENTS), ("valves", VALVES)])
@given(data=st.data())
@CI
def test_what_is_written_is_read_back(
    file: str, records: st.SearchStrategy[dict[str, Any]], dialect: Any, data: st.DataObject
) -> None:
    """Text full of quotes, delimiters, line ends and formula signs survives, in either dialect."""
    given_rows = data.draw(st.lists(records, max_size=4))
    columns = [name for name in RECORDS[file].__struct_fields__ if not given_rows or name in given_rows[0]]
    text = "".join(write_table(columns, given_rows, dialect=dialect))
    assert rows(file, text.encode()) == given_rows


@given(HOSTILE)
@CI
def test_no_exported_text_is_a_formula(text: str) -> None:
    _, line = write_table(["name"], [{"name": text}], dialect="comma")
    assert line.removeprefix('"')[0] not in "=+-@\t\r"
