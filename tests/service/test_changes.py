"""What changed since the run before: each kind of change is found where it was made, and the parts sum."""

from collections import defaultdict
from datetime import date
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import delete, select

from models.engine import Engines
from models.runs import RunChange, RunInput
from tests.service.test_run_forecast import AS_OF, bring_in, computed, results

Client = TestClient[Any]
PARTS = ("record_corrections", "time_passing", "new_events", "new_model")
EARLY = date(2025, 1, 31)
FILES = {
    "areas.csv": ["code,records_begin_on,storeroom", "U1,2014-01-01,MAIN"],
    "valves.csv": [
        "tag,design,service_class,area,installed_on",
        *(f"FV-{n},GLOBE,wet,U1,2015-0{n}-01" for n in (1, 2, 3)),
        "FV-4,ANGLE,dry,U1,2015-01-01",
    ],
    "events.csv": [
        "tag,done_on,action,reason",
        *(f"FV-{n},{2016 + n + m}-05-0{n},rebuild,failure" for n in (1, 2, 3) for m in (0, 3)),
        "FV-4,2019-06-01,rebuild,failure",
        "FV-2,2025-04-01,rebuild,failure",
    ],
}
Changes = dict[tuple[str, str], dict[str, Any]]


def changes(engines: Engines, run_id: int) -> Changes:
    table = RunChange.metadata.tables["run_changes"]
    with engines.reader.connect() as connection:
        rows = connection.execute(select(table).where(table.c.run_id == run_id)).mappings()
        return {(row["storeroom"], row["kit"]): dict(row) for row in rows}


def by_valves(engines: Engines, run_id: int) -> dict[tuple[str, str], float]:
    """Kits that single valves are expected to take in the protection interval, summed."""
    expected: dict[tuple[str, str], float] = defaultdict(float)
    for row in results(engines, run_id)["needs"]:
        expected[row["storeroom"], row["kit"]] += row["mean_protection"]
    return expected


def parts(change: dict[str, Any]) -> list[float]:
    return [change[name] for name in PARTS]


def test_a_first_run_has_nothing_to_be_compared_with_and_a_repeated_one_no_change(sqlite_engines: Engines) -> None:
    bring_in(sqlite_engines, FILES)
    assert changes(sqlite_engines, computed(sqlite_engines).id) == {}
    again = changes(sqlite_engines, computed(sqlite_engines).id)
    assert again.keys() == {(room, kit) for room in ("", "MAIN") for kit in ("rebuild ANGLE", "rebuild GLOBE")}
    assert {part for change in again.values() for part in parts(change)} == {0.0}
    assert {change["since_run"] for change in again.values()} == {1}


def test_an_empty_list_says_why(sqlite_client: Client, sqlite_engines: Engines) -> None:
    """The first; one of an earlier day; another kit; what the one before had read is gone; no valve."""

    def told(run: int, asked: str = "") -> str:
        body = sqlite_client.get(f"/v1/runs/{run}/changes{asked}").json()
        assert body["value"] == []
        return str(body["notice"])

    empty = computed(sqlite_engines).id
    assert told(empty).endswith(f"no run finished before it, as of {AS_OF} or earlier")
    assert told(computed(sqlite_engines).id).startswith("no valve is in the record")
    bring_in(sqlite_engines, FILES)
    early = computed(sqlite_engines, as_of=EARLY).id
    assert told(early) == (
        f"there is nothing to compare run {early} with: no run finished before it, as of {EARLY} or earlier"
    )
    last = computed(sqlite_engines).id
    assert sqlite_client.get(f"/v1/runs/{last}/changes").json()["value"]
    assert told(last, "?kit=NONE").startswith("no change is told of that kit in that storeroom")
    with sqlite_engines.writer.begin() as connection:
        connection.execute(delete(RunInput))
    final = computed(sqlite_engines).id
    assert told(final) == f"run {final} couldn't be compared with run {last}: what that one had read was no longer kept"


def test_time_and_new_events_are_told_apart_from_one_run_to_the_next(engines: Engines, client: Client) -> None:
    """And a correction of what is older, in the run after that."""
    bring_in(engines, FILES)
    first, second = computed(engines, as_of=EARLY).id, computed(engines).id
    found, before, after = changes(engines, second), by_valves(engines, first), by_valves(engines, second)
    for key, change in found.items():
        assert change["before"] + sum(parts(change)) == pytest.approx(change["after"], abs=1e-5 * change["after"])
        assert (change["since_run"], change["since_as_of"]) == (first, EARLY)
        if key[0]:
            assert change["before"] == pytest.approx(before[key], rel=1e-4)
            assert change["after"] == pytest.approx(after[key], rel=1e-4)
    globe = found["MAIN", "rebuild GLOBE"]
    assert globe["record_corrections"] == 0.0
    assert globe["time_passing"] > 0.0
    assert globe["new_events"] < 0.0
    assert globe["details"] == {"events_corrected": 0, "new_events": 1}
    assert found["MAIN", "rebuild ANGLE"]["new_events"] == 0.0

    bring_in(engines, {"events.csv": ["tag,done_on,action,reason", "FV-3,2024-05-05,rebuild,failure"]})
    third = computed(engines, as_of=AS_OF).id
    corrected = changes(engines, third)["MAIN", "rebuild GLOBE"]
    assert (corrected["time_passing"], corrected["new_events"]) == (0.0, 0.0)
    assert corrected["record_corrections"] != 0.0
    assert corrected["new_model"] != 0.0
    assert corrected["details"] == {"events_corrected": 1, "new_events": 0}

    listed = client.get(f"/v1/runs/{third}/changes?kit=REBUILD%20globe&storeroom=main").json()["value"]
    assert [row["record_corrections"] for row in listed] == [corrected["record_corrections"]]
    why = client.get("/v1/reorder-points/MAIN/rebuild%20GLOBE/why").json()
    assert why["change"] == listed[0]
    assert f"Since run {second}, as of 2026-03-01, the kits expected in 67 days went from" in why["sentence"]
    assert "by corrections of the record (1 event of its valves)" in why["sentence"]
