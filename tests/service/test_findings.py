"""Findings: each kind from a few lines of CSV, what each decision does to the lives, what keeps one closed."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import date, timedelta
from typing import Any

import pytest
from litestar.testing import TestClient
from sqlalchemy import update

from models.engine import Engines
from models.findings import EventRecording
from service.closings import read_history
from service.db import read_session, write_session
from service.record_doubts import young_record_findings
from service.schemas.records import AreaRecord, EventRecord, ValveRecord
from service.settings import Settings, now
from service.translate_findings import KeyedEvent, facts_digest
from tests.service.findings_plant import (
    AREAS,
    BOTH,
    EVENTS,
    INF,
    ONE,
    TAG_MERGED,
    VALVES,
    bring_in,
    close,
    ends,
    listed,
    run,
    the,
)
from tests.service.test_keys import bearer, key_of

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]


@pytest.fixture
def database_url(plant_url: str) -> str:
    """Begin every test here with the plant forecast once."""
    return plant_url


def test_each_kind_is_found_and_says_what_it_does(engines: Engines, client: Client) -> None:
    kinds = {finding["kind"] for finding in listed(client)}
    assert {"likely_duplicate", "before_installation", "reason_assumed", "tag_looks_like_another"} <= kinds
    twice = the(client, "likely_duplicate")
    assert (twice["tag"], twice["record_key"], twice["decision"]) == ("FV-101", "B", None)
    # without B a failure after 4 days is gone: the scale rises, fewer kits are taken
    assert twice["scale_change"] is None or (twice["scale_change"] > 0 and twice["kits_per_year_change"] < 0)
    assert (twice["scale_change"] is None) == (twice["effect_reason"] is not None)
    alike = the(client, "tag_looks_like_another")
    assert alike["details"]["candidates"][0] == ["FV-101", 0.99]
    assert (alike["scale_change"], alike["effect_reason"]) == (None, "it is about no single event")
    early = the(client, "before_installation")
    assert (early["record_key"], early["scale_change"], early["kits_per_year_change"]) == ("E", 0.0, 0.0)


def test_a_valve_to_come_takes_kits_but_changes_no_effect(engines: Engines, client: Client) -> None:
    """Installed half a year after the cut-off: a finding is about valves that are there."""
    before = the(client, "likely_duplicate")["kits_per_year_change"]
    bring_in(engines, valves="tag,design,service_class,area,installed_on\nFV-103,D,wet,U1,2026-09-01\n")
    run(engines)
    assert the(client, "likely_duplicate")["kits_per_year_change"] == before


def test_leaving_changes_nothing_and_closes(engines: Engines, client: Client) -> None:
    answer = close(client, the(client, "likely_duplicate"), "leave")
    assert answer.status_code == 200, answer.text
    assert (answer.json()["decision"], answer.json()["closed_by"]) == ("leave", "open access")
    assert ends(engines)["wet"] == BOTH
    assert listed(client, kind="likely_duplicate", open=True) == []
    assert the(client, "likely_duplicate", open=False)["reason"] == "seen in the log book"
    again = close(client, answer.json(), "void")
    assert (again.status_code, again.json()["type"]) == (409, "/problems/conflict")
    assert "it was closed already: leave, by open access" in again.json()["detail"]


def test_a_closed_finding_stays_closed_until_a_fact_changes(engines: Engines, client: Client) -> None:
    """Opened anew by what B says now, it is merged: what A leaves unsaid B says, what A says itself stays."""
    for kind in ("likely_duplicate", "before_installation"):
        close(client, the(client, kind), "leave")
    bring_in(engines, areas=AREAS, valves=VALVES, events=EVENTS)
    bring_in(engines, events="ref,tag,note\nE,FV-102,a note is no fact\n")
    bring_in(engines, events="ref,tag,done_on,reason,last_ok_on\nB,FV-101,2021-01-06,planned,2020-12-01\n")
    run(engines)
    assert the(client, "before_installation")["decision"] == "leave"
    opened = the(client, "likely_duplicate")
    assert opened["decision"] is None
    assert close(client, opened, "merge").status_code == 200
    assert ends(engines)["wet"] == ONE
    with read_session(engines) as session:
        (kept,) = [event.record for event in read_history(session).events if event.record.ref == "A"]
    assert (kept.reason, kept.last_ok_on, kept.done_on) == ("failure", "2020-12-01", "2021-01-01")
    assert client.get("/v1/events/A/FV-101").json()["last_ok_on"] is None


def test_a_void_event_is_read_by_no_forecast_until_its_facts_change(engines: Engines, client: Client) -> None:
    before = client.get("/v1/export.zip").content
    assert ends(engines)["wet"] == BOTH
    assert close(client, the(client, "likely_duplicate"), "void").status_code == 200
    assert ends(engines)["wet"] == ONE
    assert client.get("/v1/export.zip").content == before
    bring_in(engines, areas=AREAS, valves=VALVES, events=EVENTS)
    assert ends(engines)["wet"] == ONE
    bring_in(engines, events="ref,tag,done_on,action\nB,FV-101,2021-01-09,rebuild\n")
    assert ends(engines)["wet"] == [(8.0, 8.0), *BOTH[1:4], (1877.0, INF)]


def test_a_merged_tag_is_read_as_the_chosen_valve(engines: Engines, client: Client) -> None:
    assert ends(engines)["no service class"] == [(1155.0, INF)]
    alike = the(client, "tag_looks_like_another")
    refused = close(client, alike, "merge", tag="FV-999")
    assert (refused.status_code, "tag of another valve" in refused.json()["detail"]) == (409, True)
    assert close(client, alike, "merge").status_code == 409
    assert close(client, alike, "merge", tag="FV-101").status_code == 200
    bring_in(engines, valves=VALVES, events=EVENTS)
    assert ends(engines) == {"wet": TAG_MERGED}


def test_a_decision_that_makes_no_sense_is_refused(engines: Engines, client: Client) -> None:
    lone = close(client, the(client, "reason_assumed"), "merge")
    assert (lone.status_code, "merge is for likely_duplicate" in lone.json()["detail"]) == (409, True)
    valve = close(client, the(client, "tag_looks_like_another"), "void")
    assert (valve.status_code, "is about no single event" in valve.json()["detail"]) == (409, True)
    assert close(client, {"id": 2**31 - 1}, "leave").status_code == 404
    assert close(client, the(client, "reason_assumed"), "leave", reason="").status_code == 400
    bring_in(engines, events="ref,tag,reason\nB,FV-101,condition\n")
    stale = close(client, the(client, "likely_duplicate"), "merge")
    assert (stale.status_code, "the record has changed" in stale.json()["detail"]) == (409, True)


def test_a_repeated_closing_is_answered_as_the_first(engines: Engines, client: Client) -> None:
    finding = the(client, "likely_duplicate")
    body = {"decision": "leave", "reason": "two jobs"}
    path, header = f"/v1/data-findings/{finding['id']}/close", {"Idempotency-Key": "once"}
    first, second = (client.post(path, json=body, headers=header) for _ in range(2))
    assert (first.status_code, first.json()) == (second.status_code, second.json())
    entry = client.get("/v1/audit").json()["value"][0]
    assert (entry["action"], entry["subjects"][0]["decision"]) == ("close finding", "leave")


def test_findings_are_a_table_in_both_dialects(engines: Engines, client: Client) -> None:
    comma = client.get("/v1/data-findings?format=csv&kind=before_installation").text
    assert comma.splitlines()[0] == (
        "kind,file,record_key,detail,treatment,effect,id,tag,lives_lost,scale_change,kits_per_year_change,"
        "effect_reason,decision,reason,closed_by,closed_at"
    )
    semicolon = client.get("/v1/data-findings?format=csv&dialect=semicolon&kind=before_installation").text
    assert semicolon.splitlines()[1].startswith("before_installation;events;E;")


def test_the_bench_voids_what_it_recorded_itself_for_thirty_days(
    engines: Engines, database_url: str, connect: Connect
) -> None:
    keys = {role: key_of(engines, role) for role in ("reader", "bench", "planner")}
    made = {"ref": "OWN", "tag": "FV-101", "done_on": "2024-01-01", "action": "inspect"}
    why = {"reason": "wrong valve"}
    with connect(Settings(database_url=database_url)) as client:

        def void(ref: str, role: str) -> int:
            answer = client.post(f"/v1/events/{ref}/FV-101/void", json=why, headers=bearer(keys[role]))
            return int(answer.status_code)

        for ref in ("OWN", "OLD"):
            created = client.post("/v1/events", json={**made, "ref": ref}, headers=bearer(keys["bench"]))
            assert created.status_code == 201, created.text
        with write_session(engines) as session:
            session.execute(
                update(EventRecording).values(recorded_at=now() - timedelta(days=31)).where(_is_old(client))
            )
        assert [void("OWN", "reader"), void("A", "bench"), void("OLD", "bench")] == [403, 403, 403]
        assert [void("OWN", "bench"), void("OWN", "bench")] == [200, 409]
        assert [void("A", "planner"), void("NONE", "planner")] == [200, 404]
        finding = {"decision": "leave", "reason": "x"}
        closed = client.post("/v1/data-findings/1/close", json=finding, headers=bearer(keys["bench"]))
        assert (closed.status_code, closed.json()["type"]) == (403, "/problems/role-too-low")


def _is_old(client: Client) -> Any:
    return EventRecording.event_id == 7  # five events of the file, OWN, then OLD


def rebuilt(*years: int) -> list[KeyedEvent]:
    events = [
        EventRecord(tag="V", done_on=f"{year}-{month:02d}-01", action="rebuild")
        for year in years
        for month in range(1, 13)
    ]
    return [KeyedEvent(key=event.done_on, record=event, digest=facts_digest(event)) for event in events]


@pytest.mark.parametrize(("years", "found"), [((2012, 2013, 2014), 1), ((2010, 2012, 2013, 2014), 0), ((2012,), 1)])
def test_records_that_begin_too_early_to_be_believed(years: tuple[int, ...], found: int) -> None:
    """Twelve a year from 2012 on make 24 likely in 2010 and 2011; twelve in 2012 alone, eight in two of the three."""
    doubts = young_record_findings(
        [AreaRecord(code="U1", records_begin_on=date(2010, 1, 1))],
        [ValveRecord(tag="V", area="U1")],
        rebuilt(*years),
        as_of=date(2014, 12, 31),
    )
    assert [(one.kind, one.ref) for one in doubts] == [("records_begin_too_early", "U1")] * found
