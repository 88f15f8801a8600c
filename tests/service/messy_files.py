"""Files as people bring them, honest and hostile: a few lines each, and what must become of them.

Before each of them the record holds the valves FV-1 to FV-41 and FV-101A/B. Archives have more rows of their own in
`test_archives.py`, workbooks in `test_workbooks.py`.
"""

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from io import BytesIO
from typing import Any, Literal, get_args
from zipfile import ZIP_DEFLATED, ZipFile

from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from service.local_dates import DateOrder

Place = tuple[int | None, str | None, str, str]  # line, column, value, and words of what was expected
BOM = b"\xef\xbb\xbf"
Kind = Literal[
    "wrong charset",
    "byte order mark",
    "NUL",
    "line ends",
    "quotes",
    "10 MB cell",
    "empty",
    "ragged",
    "duplicated header",
    "renamed column",
    "case",
    "trailing blanks",
    "leading zeros",
    "semicolons with decimal comma",
    "22,5",
    "1.234,5",
    "numbers",
    "days",
    "day and month swapped",
    "serial day of a spreadsheet",
    "FV-101A/B",
    "words",
    "bidirectional text",
    "formula text",
    "apostrophe",
    "missing ref",
    "unknown reference",
    "one work order on forty valves",
    "workbook",
    "zip bomb",
    "zip path tricks",
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, kw_only=True)
class Messy:
    """A file and its outcome: rows that are stored afterwards (the columns named), or places that are told."""

    kind: Kind
    file: str
    content: bytes
    dates: DateOrder = "iso"
    stored: list[dict[str, Any]] = field(default_factory=list)
    told: list[Place] = field(default_factory=list)


def good(kind: Kind, file: str, content: str | bytes, *stored: dict[str, Any], dates: DateOrder = "iso") -> Messy:
    """Describe a file that comes in."""
    return Messy(kind=kind, file=file, content=_bytes(content), stored=list(stored), dates=dates)


def bad(kind: Kind, file: str, content: str | bytes, *told: Place, dates: DateOrder = "iso") -> Messy:
    """Describe a file that is refused."""
    return Messy(kind=kind, file=file, content=_bytes(content), told=list(told), dates=dates)


def _bytes(content: str | bytes) -> bytes:
    return content.encode() if isinstance(content, str) else content


def workbook(*rows: list[Any]) -> bytes:
    """Make a workbook of typed cells."""
    book = Workbook()
    for row in rows:
        book.worksheets[0].append(row)
    stream = BytesIO()
    book.save(stream)
    return stream.getvalue()


def workbook_counting_from_1904() -> bytes:
    """Make a workbook of 29 February 2020 as some programs count days."""
    book = Workbook()
    book.epoch = CALENDAR_MAC_1904
    book.worksheets[0].append(["code", "priced_on"])
    book.worksheets[0].append(["K-1", date(2020, 2, 29)])
    stream = BytesIO()
    book.save(stream)
    return stream.getvalue()


def archive(name: str, content: bytes) -> bytes:
    """Make a zip archive with one entry."""
    stream = BytesIO()
    with ZipFile(stream, "w", ZIP_DEFLATED) as packed:
        packed.writestr(name, content)
    return stream.getvalue()


def event(done_on: str, **said: Any) -> dict[str, Any]:
    """Describe a rebuild of FV-1."""
    return {"tag": "FV-1", "done_on": done_on, "action": "rebuild", **said}


E = "tag,done_on,action\n"
MANY = "".join(f"FV-{number}\n" for number in range(42, 82))
FORTY_JOBS = "".join(f"W-1,FV-{number},2020-05-01,rebuild\n" for number in range(2, 42))
NOT_GUESSED = "declare dates=dmy or dates=mdy"

MESSY: dict[str, Messy] = {
    # how the bytes are written
    "latin-1": bad(
        "wrong charset",
        "kits",
        "code,name\nK,Dichtsätze".encode("latin-1"),
        (2, None, "byte 0xe4 at position 18", "UTF-8"),
    ),
    "windows dashes": bad(
        "wrong charset", "kits", "code,name\nK,a – b".encode("cp1252"), (2, None, "byte 0x96 at position 14", "UTF-8")
    ),
    "UTF-16 from a spreadsheet": bad(
        "wrong charset", "kits", "code\nK".encode("utf-16"), (1, None, "byte 0xff at position 0", "UTF-8")
    ),
    "byte order mark": good("byte order mark", "kits", BOM + b"code\nK-1\n", {"code": "K-1"}),
    "two byte order marks": bad(
        "byte order mark",
        "kits",
        BOM + BOM + b"code\nK-1\n",
        (1, "\ufeffcode", "\ufeffcode", "a column of"),
        (1, "code", "", "a column code"),
    ),
    "NUL": bad("NUL", "kits", b"code,name\nK-1,a\nK-2,b\0", (3, None, "\\0", "without NUL")),
    "old Mac line ends": good("line ends", "kits", b"code,name\rK-1,a\r", {"code": "K-1", "name": "a"}),
    "mixed line ends": good("line ends", "kits", b"code\r\nK-1\nK-2\r", {"code": "K-1"}, {"code": "K-2"}),
    "no line end at the end": good("line ends", "kits", b"code\nK-1", {"code": "K-1"}),
    "line end inside quotes": good("line ends", "kits", 'code,name\nK-1,"two\nlines"\n', {"name": "two\nlines"}),
    "vertical tab and line separator in text": good(
        "line ends", "kits", "code,name\nK-1,a\x0bb\u2028c\n", {"name": "a\x0bb\u2028c"}
    ),
    "an open quote": bad("quotes", "kits", 'code,name\nK-1,"a\nK-2,b\n', (2, None, "unexpected end of data", "quotes")),
    "a quote in the middle": good("quotes", "kits", 'code,name\nK-1,2" globe\n', {"name": '2" globe'}),
    "10 MB cell": bad(
        "10 MB cell",
        "kits",
        b"code,name\nK-1," + b"x" * 10_000_000,
        (2, None, "field larger than field limit (131072)", "at most 131072"),
    ),
    "long but readable cell": bad(
        "10 MB cell", "kits", "code,name\nK-1," + "x" * 5000, (2, "name", "x" * 100 + "...", "at most 200")
    ),
    # the shape of the table
    "empty": bad("empty", "kits", b"", (1, None, "", "a header with code")),
    "blank lines only": bad("empty", "kits", b"\n\n,,\n", (1, None, "", "a header with code")),
    "header only": good("empty", "kits", b"code,name\n"),
    "blank lines between": good(
        "empty", "kits", b"\n\ncode,name\n\nK-1,a\n,\n  ,  \nK-2,\n", {"code": "K-1"}, {"code": "K-2"}
    ),
    "ragged": bad(
        "ragged",
        "kits",
        b"code,name\nK-1\nK-2,a,b\n",
        (2, None, "1 of 2 cells", "one cell for each"),
        (3, None, "3 of 2 cells", "one cell for each"),
    ),
    "header twice": bad(
        "duplicated header", "kits", b"code,name,Name\nK-1,a,b\n", (1, "name", "name", "each column once")
    ),
    "renamed column": bad(
        "renamed column",
        "valves",
        b"tag no,design\nFV-2,D\n",
        (1, "tag no", "tag no", "a column of this file: tag, serial"),
        (1, "tag", "", "a column tag"),
    ),
    "column without a name": bad("renamed column", "kits", b"code,\nK-1,x\n", (1, "", "", "a column of this file")),
    "tab separated": bad(
        "renamed column",
        "kits",
        b"code\tname\nK-1\ta\n",
        (1, "code\tname", "code\tname", "a column of"),
        (1, "code", "", "a column code"),
    ),
    "header in capitals with blanks": good("case", "kits", b" CODE , Name \nK-1,a\n", {"code": "K-1", "name": "a"}),
    "title above the header": bad(
        "renamed column",
        "kits",
        b"Kits of 2024,\ncode,name\n",
        (1, "kits of 2024", "kits of 2024", "a column of"),
        (1, "", "", "a column of"),
        (1, "code", "", "a column code"),
    ),
    "quoted semicolons in a comma header": bad(
        "renamed column",
        "kits",
        b'code,"name;x"\nK-1,a\n',
        (1, 'code,"name', 'code,"name', "a column"),
        (1, 'x"', 'x"', "a column"),
        (1, "code", "", "a column code"),
    ),
    # numbers
    "semicolons with decimal comma": good(
        "semicolons with decimal comma", "kits", b"code;unit_cost\nK-1;22,5\n", {"unit_cost": Decimal("22.5")}
    ),
    "semicolons with decimal point": good(
        "semicolons with decimal comma", "kits", b"code;unit_cost\nK-1;22.5\n", {"unit_cost": Decimal("22.5")}
    ),
    "decimal comma in quotes": bad(
        "22,5", "kits", b'code,unit_cost\nK-1,"22,5"\n', (2, "unit_cost", "22,5", "with the decimal point of this file")
    ),
    "thousands with points": bad(
        "1.234,5", "kits", b"code;unit_cost\nK-1;1.234,5\n", (2, "unit_cost", "1.234,5", "with the decimal point")
    ),
    "thousands with commas": bad(
        "1.234,5", "kits", b'code,unit_cost\nK-1,"1,234.5"\n', (2, "unit_cost", "1,234.5", "with the decimal point")
    ),
    "both decimal marks": bad(
        "semicolons with decimal comma",
        "kits",
        b"code;unit_cost\nK-1;22,5\nK-2;22.5\n",
        (3, "unit_cost", "22.5", "with the decimal comma of this file"),
    ),
    "currency": bad("numbers", "kits", "code,unit_cost\nK-1,€ 22\n", (2, "unit_cost", "€ 22", "an amount of money")),
    "exponent": bad(
        "numbers", "kits", b"code,unit_cost\nK-1,2.25E+01\n", (2, "unit_cost", "2.25E+01", "an amount of money")
    ),
    "not a number": bad("numbers", "kits", b"code,unit_cost\nK-1,NaN\n", (2, "unit_cost", "NaN", "an amount of money")),
    "infinite": bad(
        "numbers",
        "designs",
        b"code,actuator_air_limit_kpa\nD,inf\n",
        (2, "actuator_air_limit_kpa", "inf", "a number, 0 or more"),
    ),
    "digits of another script": bad(
        "numbers", "kits", "code,pack_qty\nK-1,٣\n", (2, "pack_qty", "٣", "a whole number")
    ),
    "a count with decimals": bad(
        "numbers", "stock", b"storeroom,kit,on_hand\nS,K-1,3.0\n", (2, "on_hand", "3.0", "a whole number")
    ),
    "negative stock": bad("numbers", "stock", b"storeroom,kit,on_hand\nS,K-1,-3\n", (2, "on_hand", "-3", "0 or more")),
    "a return": good("numbers", "issues", b"ref,kit,issued_on,qty\nI-1,K-1,2020-01-01,-2\n", {"qty": -2}),
    "an issue of nothing": bad(
        "numbers", "issues", b"ref,kit,issued_on,qty\nI-1,K-1,2020-01-01,0\n", (2, "qty", "0", "other than 0")
    ),
    "unlimited shelf life": good(
        "numbers",
        "materials",
        b"code,storage_life_days\nG,Unlimited\nN,2190\nX,\n",
        {"storage_life_days": "unlimited"},
        {"storage_life_days": 2190},
        {"storage_life_days": None},
    ),
    "forever": bad(
        "numbers",
        "materials",
        b"code,storage_life_days\nG,forever\n",
        (2, "storage_life_days", "forever", "or the word unlimited"),
    ),
    # days
    "day first, not declared": bad(
        "day and month swapped", "events", E + "FV-1,03.04.2017,rebuild\n", (2, "done_on", "03.04.2017", NOT_GUESSED)
    ),
    "day first, surely, not declared": bad(
        "day and month swapped", "events", E + "FV-1,31/12/2017,rebuild\n", (2, "done_on", "31/12/2017", NOT_GUESSED)
    ),
    "day first, declared": good(
        "day and month swapped", "events", E + "FV-1,03.04.2017,rebuild\n", event("2017-04-03"), dates="dmy"
    ),
    "month first, declared": good(
        "day and month swapped", "events", E + "FV-1,3/4/2017,rebuild\n", event("2017-03-04"), dates="mdy"
    ),
    "declared the wrong way": bad(
        "day and month swapped",
        "events",
        E + "FV-1,12/31/2017,rebuild\n",
        (2, "done_on", "12/31/2017", "declared was dates=dmy: day, month, year"),
        dates="dmy",
    ),
    "ISO among declared": good(
        "day and month swapped", "events", E + "FV-1,2017-04-03,rebuild\n", event("2017-04-03"), dates="mdy"
    ),
    "month and year, declared": good("days", "events", E + "FV-1,04/2017,rebuild\n", event("2017-04"), dates="dmy"),
    "known to the month": good("days", "events", E + "FV-1,2017-04,rebuild\n", event("2017-04")),
    "known to the year": good("days", "events", E + "FV-1,2017,rebuild\n", event("2017")),
    "no such day": bad("days", "events", E + "FV-1,2017-02-30,rebuild\n", (2, "done_on", "2017-02-30", "a date like")),
    "no such month": bad("days", "events", E + "FV-1,2017-13,rebuild\n", (2, "done_on", "2017-13", "a date like")),
    "year of two digits": bad(
        "days", "events", E + "FV-1,03.04.17,rebuild\n", (2, "done_on", "03.04.17", "a date like"), dates="dmy"
    ),
    "serial number of a spreadsheet": bad(
        "serial day of a spreadsheet", "events", E + "FV-1,42828,rebuild\n", (2, "done_on", "42828", "a date like")
    ),
    "midnight": good("days", "events", E + "FV-1,2017-04-03 00:00:00,rebuild\n", event("2017-04-03")),
    "time of day": bad(
        "days", "events", E + "FV-1,2017-04-03 10:30,rebuild\n", (2, "done_on", "2017-04-03 10:30", "a date like")
    ),
    "tomorrow": bad(
        "days", "events", E + "FV-1,2024-07-01,rebuild\n", (2, "done_on", "2024-07-01", "not after the day of import")
    ),
    "this year": good("days", "events", E + "FV-1,2024,rebuild\n", event("2024")),
    "found after done": bad(
        "days",
        "events",
        "tag,found_on,done_on,action\nFV-1,2017-05,2017-04-30,rebuild\n",
        (2, "found_on", "2017-05", "not after done_on"),
    ),
    "found in the month it was done": good(
        "days",
        "events",
        "tag,found_on,done_on,action\nFV-1,2017-04-20,2017-04,rebuild\n",
        event("2017-04", found_on="2017-04-20"),
    ),
    "partial stated renewals": good(
        "days",
        "valves",
        "tag,last_renewed_on\nFV-1,packing:2015-04|trim:2012\n",
        {"last_renewed_on": {"packing": "2015-04", "trim": "2012"}},
    ),
    "declared renewals": good(
        "day and month swapped",
        "valves",
        "tag,last_renewed_on\nFV-1,packing:1.4.2015|12.2012\n",
        {"last_renewed_on": {"packing": "2015-04-01", "": "2012-12"}},
        dates="dmy",
    ),
    # codes and text
    "slash in a tag": good("FV-101A/B", "events", E + "FV-101A/B,2017-04-03,rebuild\n", {"tag": "FV-101A/B"}),
    "tag in lower case with blanks": good(
        "trailing blanks", "events", E + " fv-1  ,2017-04-03,rebuild\n", event("2017-04-03")
    ),
    "trailing blanks everywhere, kept in text only": good(
        "trailing blanks",
        "kits",
        "code ,name\t,unit_cost\nK-1\xa0, a  b \u3000, 22.5 \n",
        {"code": "K-1", "name": " a  b \u3000", "unit_cost": Decimal("22.5")},
    ),
    "leading zeros": good("leading zeros", "kits", b"code,name\n0071,0072\n", {"code": "0071", "name": "0072"}),
    "upper case words": good("case", "events", E + "FV-1,2017-04-03,REBUILD\n", event("2017-04-03")),
    "unknown word": bad(
        "words",
        "events",
        E + "FV-1,2017-04-03,overhaul\n",
        (2, "action", "overhaul", "rebuild, exchange, inspect or reclassify"),
    ),
    "two spellings of one code": bad(
        "case", "kits", b"code\nK-1\nk-1\n", (3, "code", "k-1", "each code once; line 2 has it already")
    ),
    "accent typed in two ways": bad(
        "words", "kits", "code\ncafé\ncafe\u0301\n", (3, "code", "cafe\u0301", "each code once")
    ),
    "joining marks in a code": bad(
        "words", "kits", b"code\nK|1\nK:2\n", (2, "code", "K|1", "without | or :"), (3, "code", "K:2", "without | or :")
    ),
    "bidirectional override in a code": bad(
        "bidirectional text", "kits", "code\nK\u202e1\n", (2, "code", "K\u202e1", "printable")
    ),
    "zero width space in a code": bad(
        "bidirectional text", "kits", "code\nK\u200b1\n", (2, "code", "K\u200b1", "printable")
    ),
    "no-break space in a code": bad("bidirectional text", "kits", "code\nK\xa01\n", (2, "code", "K\xa01", "printable")),
    "bidirectional text in a note": good(
        "bidirectional text", "kits", "code,name\nK-1,\u202eabc\n", {"name": "\u202eabc"}
    ),
    "formula text": good(
        "formula text", "kits", "code,name\nK-1,'=1+1\nK-2,=1+1\n", {"name": "=1+1"}, {"name": "=1+1"}
    ),
    "apostrophes": good(
        "apostrophe", "kits", "code,name\nK-1,'90s seat\nK-2,''quoted\n", {"name": "'90s seat"}, {"name": "'quoted"}
    ),
    "emoji": good("words", "kits", "code,name\nK-1,🔧 kit\n", {"name": "🔧 kit"}),
    # what rows refer to
    "event of an unknown valve": good(
        "unknown reference", "events", E + "FV-900,2017-04-03,rebuild\n", {"tag": "FV-900", "done_on": "2017-04-03"}
    ),
    "event without a tag": bad(
        "unknown reference", "events", E + ",2017-04-03,rebuild\n", (2, "tag", "", "can't be empty")
    ),
    "event without a day": bad(
        "unknown reference", "events", E + "FV-1,,rebuild\n", (2, "done_on", "", "can't be empty")
    ),
    "scope of an unknown valve": bad(
        "unknown reference",
        "scope_lines",
        b"turnaround,tag,decision\nT,FV-900,must_open\n",
        (2, "tag", "FV-900", "a tag in the record"),
    ),
    "one work order on forty valves": good(
        "one work order on forty valves",
        "events",
        "ref,tag,done_on,action\n" + FORTY_JOBS,
        *({"ref": "W-1", "tag": f"FV-{number}"} for number in range(2, 42)),
    ),
    "one work order on forty valves, one of them twice": bad(
        "one work order on forty valves",
        "events",
        "ref,tag,done_on,action\n" + FORTY_JOBS + "w-1,fv-41,2020-06-01,rebuild\n",
        (42, "ref", "w-1", "each ref and tag once; line 41 has it already"),
    ),
    "one work order on forty valves nobody knows": good(
        "one work order on forty valves",
        "events",
        "ref,tag,done_on,action\n" + FORTY_JOBS.replace("FV", "PV"),
        *({"ref": "W-1", "tag": f"PV-{number}"} for number in range(2, 42)),
    ),
    "forty valves": good(
        "one work order on forty valves", "valves", "tag\n" + MANY, *({"tag": f"FV-{n}"} for n in range(42, 82))
    ),
    "no column of refs": good("missing ref", "events", E + "FV-1,2017,rebuild\n", event("2017", ref=None)),
    "some refs missing": good(
        "missing ref",
        "events",
        "ref,tag,done_on,action\n,FV-1,2017,rebuild\nW-1,FV-1,2018,rebuild\n  ,FV-2,2017,rebuild\n",
        event("2017", ref=None),
        event("2018", ref="W-1"),
        {"tag": "FV-2", "ref": None},
    ),
    "a ref that says there is none": bad(
        "missing ref", "issues", b"ref,kit,issued_on,qty\n,K-1,2020-01-01,1\n", (2, "ref", "", "can't be empty")
    ),
    "the same row twice without a ref": good(
        "missing ref", "events", E + "FV-1,2017,rebuild\n" * 2, event("2017"), event("2017")
    ),
    "kits in a circle": bad(
        "unknown reference",
        "kits",
        b"code,superseded_by\nK-1,K-2\nK-2,K-1\n",
        (2, "superseded_by", "K-2", "not lead back"),
        (3, "superseded_by", "K-1", "not lead back"),
    ),
    "an item twice in a cell": bad(
        "words", "kits", b"code,renews\nK-1,trim|TRIM\n", (2, "renews", "trim|TRIM", "each once")
    ),
    "commas in a list": good("words", "kits", b'code,renews\nK-1,"trim, packing"\n', {"renews": ["trim, packing"]}),
    "empty parts of a list": bad("words", "kits", b"code,renews\nK-1,|trim\n", (2, "renews", "|trim", "joined by |")),
    # workbooks and archives
    "workbook": good(
        "workbook",
        "kits",
        workbook(["code", "priced_on"], ["0071", date(2020, 2, 29)]),
        {"code": "0071", "priced_on": date(2020, 2, 29)},
    ),
    "workbook with a number for a code": good("leading zeros", "kits", workbook(["code"], [71]), {"code": "71"}),
    "workbook counting from 1904": good(
        "workbook", "kits", workbook_counting_from_1904(), {"code": "K-1", "priced_on": date(2020, 2, 29)}
    ),
    "workbook with the number of a day": bad(
        "serial day of a spreadsheet",
        "kits",
        workbook(["code", "priced_on"], ["K-1", 43890]),
        (2, "priced_on", "43890", "a date like"),
    ),
    "workbook that took half of the days for its own": bad(
        "day and month swapped",
        "events",
        workbook(
            ["tag", "done_on", "action"], ["FV-1", date(2017, 4, 3), "rebuild"], ["FV-1", "13/03/2017", "rebuild"]
        ),
        (3, "done_on", "13/03/2017", NOT_GUESSED),
    ),
    "workbook of the wrong file": bad(
        "workbook",
        "kits",
        workbook(["tag"], ["FV-1"]),
        (1, "tag", "tag", "a column of this file"),
        (1, "code", "", "a column code"),
    ),
    "archive for a table": bad(
        "workbook",
        "kits",
        archive("kits.csv", b"code\n"),
        (None, None, "no workbook that can be read", "an .xlsx workbook"),
    ),
    "archive bomb": bad(
        "zip bomb",
        "kits",
        archive("xl/a.xml", bytes(5_000_000)),
        (None, None, "xl/a.xml unpacks to more than 200 times its size", "an .xlsx workbook"),
    ),
    "archive with a path upwards": bad(
        "zip path tricks",
        "kits",
        archive("../a.xml", b"x"),
        (None, None, "'../a.xml' names a place outside the archive", "an .xlsx workbook"),
    ),
    "archive with a place of its own": bad(
        "zip path tricks",
        "kits",
        archive("/xl/a.xml", b"x"),
        (None, None, "'/xl/a.xml' names a place outside the archive", "an .xlsx workbook"),
    ),
    "archive with a path backwards": bad(
        "zip path tricks",
        "kits",
        archive("..\\a.xml", b"x"),
        (None, None, "'..\\\\a.xml' names a place outside the archive", "an .xlsx workbook"),
    ),
    "old workbook": bad(
        "workbook",
        "kits",
        b"\xd0\xcf\x11\xe0" + bytes(512),
        (None, None, "an old workbook (.xls)", "an .xlsx workbook"),
    ),
    "page of the web": bad(
        "renamed column",
        "kits",
        b"<html><body>Sign in</body></html>",
        (1, "<html><body>sign in</body></html>", "<html><body>sign in</body></html>", "a column of"),
        (1, "code", "", "a column code"),
    ),
}
