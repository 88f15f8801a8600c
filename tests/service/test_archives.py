"""The whole record out and in again, as an archive and as a folder; archives that are refused."""

from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.queries.files import FILES
from tests.commands import valve_kits
from tests.database_dump import dump

Client = TestClient[Any]
ZIP = {"Content-Type": "application/zip"}
VALVES = b"tag,installed_on\nFV-1,2015\n"
EVENTS = b"tag,done_on,action,note\nFV-1,2016-04,rebuild,'=1+1\n"


def archive(*entries: tuple[str, bytes], change: Callable[[bytes], bytes] = lambda content: content) -> bytes:
    stream = BytesIO()
    with ZipFile(stream, "w", ZIP_DEFLATED) as packed:
        for name, content in entries:
            packed.writestr(name, content)
    return change(stream.getvalue())


def test_an_archive_comes_in_and_the_same_goes_out(client: Client, engines: Engines) -> None:
    """A folder in the archive and what some systems add count for nothing."""
    sent = archive(
        ("plant/events.csv", EVENTS),
        ("plant/Valves.CSV", VALVES),
        ("plant/", b""),
        ("__MACOSX/plant/._events.csv", b"junk"),
        ("plant/.DS_Store", b"junk"),
    )
    checked = client.post("/v1/imports?dry_run=true", content=sent, headers=ZIP)
    assert (checked.status_code, dump(engines)["valves"]) == (200, [])
    answer = client.post("/v1/imports", content=sent, headers=ZIP)
    assert [(file["file"], file["created"]) for file in answer.json()["files"]] == [("valves", 1), ("events", 1)]
    out = client.get("/v1/export.zip")
    assert (out.status_code, out.headers["content-type"]) == (200, "application/zip")
    with ZipFile(BytesIO(out.content)) as packed:
        assert packed.namelist() == [f"{name}.csv" for name in FILES]
        lines = packed.read("events.csv").decode().splitlines()
    assert lines[1] == ",FV-1,,2016-04,rebuild,,,,,,,,,,,,'=1+1"
    before = dump(engines)
    again = client.post("/v1/imports", content=out.content, headers=ZIP)
    assert {(file["created"], file["changed"]) for file in again.json()["files"]} == {(0, 0)}
    assert dump(engines) == before
    assert client.get("/v1/export.zip").content == out.content


def test_an_archive_may_hold_workbooks_and_come_as_a_form(sqlite_client: Client) -> None:
    sqlite_client.post("/v1/imports", content=archive(("valves.csv", VALVES), ("events.csv", EVENTS)), headers=ZIP)
    out = sqlite_client.get("/v1/export.zip?format=xlsx")
    again = sqlite_client.post("/v1/imports", files={"file": ("plant.zip", out.content, "application/zip")})
    assert {(file["created"], file["changed"]) for file in again.json()["files"]} == {(0, 0)}
    assert len(again.json()["files"]) == len(FILES)


BOMB = archive(("valves.csv", b"tag\n" + b"FV-1\n" * 2_000_000))
REFUSED: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "no zip archive that can be read"),
    "text": (VALVES, "no zip archive that can be read"),
    "cut off": (archive(("valves.csv", VALVES))[:-30], "no zip archive that can be read"),
    "empty": (archive(), "nothing in it"),
    "folder only": (archive(("valves/", b"")), "nothing in it"),
    "upwards": (archive(("../valves.csv", VALVES)), "'../valves.csv' names a place outside the archive"),
    "hidden upwards": (archive(("a/../valves.csv", VALVES)), "'a/../valves.csv' names a place outside"),
    "absolute": (archive(("/valves.csv", VALVES)), "'/valves.csv' names a place outside the archive"),
    "backwards": (archive(("..\\valves.csv", VALVES)), "names a place outside the archive"),
    "drive": (archive(("C:valves.csv", VALVES)), "'C:valves.csv' names a place outside the archive"),
    "twice": (archive(("a/valves.csv", VALVES), ("b/valves.csv", VALVES)), "b/valves.csv"),
    "too many": (archive(*((f"{number}.csv", b"") for number in range(51))), "51 entries; at most 50 are read"),
    "bomb": (BOMB, "valves.csv unpacks to more than 200 times its size"),
    "damaged": (archive(("valves.csv", VALVES), change=lambda zip: zip.replace(b"\x2b", b"\x2c", 1)), ""),
    "unknown file": (archive(("pumps.csv", VALVES)), "pumps.csv"),
    "archive in it": (archive(("more.zip", archive(("valves.csv", VALVES)))), "more.zip"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_archive_of_the_record_is_refused_with_a_reason(
    sqlite_client: Client, sqlite_engines: Engines, name: str
) -> None:
    content, value = REFUSED[name]
    before = dump(sqlite_engines)
    answer = sqlite_client.post("/v1/imports", content=content, headers=ZIP)
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/import-rejected")
    assert value in answer.json()["errors"][0]["value"]
    assert answer.json()["errors"][0]["expected"]
    assert dump(sqlite_engines) == before


def test_an_entry_that_claims_to_be_small_is_not_unpacked_further(sqlite_client: Client) -> None:
    """The size in the directory is a lie: a thousand bytes instead of a million."""
    packed = archive(("valves.csv", b"tag\n" + b"".join(b"FV-%d\n" % number for number in range(100_000))))
    with ZipFile(BytesIO(packed)) as opened:
        size = opened.infolist()[0].file_size
    lied = packed.replace(size.to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    answer = sqlite_client.post("/v1/imports", content=lied, headers=ZIP)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["file"] == "the archive"


def test_each_list_as_csv_is_its_file_in_the_archive(sqlite_client: Client) -> None:
    sqlite_client.post("/v1/imports", content=archive(("valves.csv", VALVES), ("events.csv", EVENTS)), headers=ZIP)
    with ZipFile(BytesIO(sqlite_client.get("/v1/export.zip").content)) as packed:
        for name in FILES:
            listed = sqlite_client.get(f"/v1/{name.replace('_', '-')}?format=csv")
            assert listed.content == packed.read(f"{name}.csv"), name


@pytest.mark.parametrize("content_type", ["text/csv", "application/json"])
def test_a_body_that_is_not_sent_as_an_archive_is_refused(sqlite_client: Client, content_type: str) -> None:
    answer = sqlite_client.post("/v1/imports", content=VALVES, headers={"Content-Type": content_type})
    assert answer.status_code == 415


def test_the_command_line_writes_a_folder_that_it_reads_back(
    sqlite_url: str, sqlite_client: Client, tmp_path: Path
) -> None:
    sqlite_client.post("/v1/imports", content=archive(("valves.csv", VALVES), ("events.csv", EVENTS)), headers=ZIP)
    for options in ([], ["--format", "xlsx"]):
        folder = tmp_path / "-".join(["out", *options[1:]])
        wrote = valve_kits(sqlite_url, "export", str(folder), *options)
        assert f"Wrote {len(FILES)} files to" in wrote.stdout
        read = valve_kits(sqlite_url, "import", str(folder), "--json").stdout
        assert read.count('"created":0,"changed":0') == len(FILES)
