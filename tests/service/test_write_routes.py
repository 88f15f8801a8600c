"""Every route that writes, with valid data, twenty times and more on SQLite; none of them is left out.

On PostgreSQL ten times: which data are valid doesn't depend on the database, and the statements are alike.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date
from functools import partial
from io import BytesIO
from itertools import count
from typing import Any
from zipfile import ZipFile

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from litestar.testing import TestClient
from msgspec import structs

from models.access import ROLES
from models.engine import Engines
from models.queries import runs, stock_cases
from models.queries.files import FILES
from service.csv_tables import write_table
from service.db import write_session
from service.schemas.records import RECORDS
from tests.service.conftest import AS_OF, NOON
from tests.service.stored_plan import kit_line, store_plan
from tests.service.test_what_if import kept_case
from tests.service.valid_records import TAGS, Body, days, names, records, records_and_changes

Client = TestClient[Any]


def any_said(taken: tuple[int | None, int | None]) -> bool:
    return taken != (None, None)


def named(taken: tuple[int | None, int | None]) -> dict[str, int | None]:
    return dict(zip(("reorder_point", "quantity"), taken, strict=True))


TIMES = {"sqlite": 20, "postgresql": 10}
WRITES = ("post", "patch", "put", "delete")
ANY_STATE = {"If-Match": "*"}
CSV, ZIP = {"Content-Type": "text/csv"}, {"Content-Type": "application/zip"}
FINDINGS = 2 * max(TIMES.values())
EXPIRIES = st.dates(date(2100, 1, 1)).map(lambda day: f"{day}T00:00:00+01:00")
REASONS = names.filter(str.strip)
HOLDERS = REASONS.filter(str.isprintable)
PROPOSAL = {
    **{"storeroom": "S/1", "kit": "K/1", "reorder_point": 2, "order_quantity": 4, "proposed_quantity": 4},
    **{"position": 1, "status": "computed"},
}
TAKEN = st.tuples(st.none() | st.integers(-1, 10**9), st.none() | st.integers(0, 10**9)).filter(any_said).map(named)

PAID = st.decimals(-(10**6), 10**6, places=2).map(str)
OTHERWISE = st.fixed_dictionaries({
    "lead_time_days": st.floats(0.5, 730.0),
    "target": st.floats(0.01, 0.999),
    "unit_cost": st.decimals("0.01", "100000", places=2).map(str),
    "shelf_life_days": st.integers(1, 10_000),
})


@pytest.mark.timeout(600)
def test_every_write_route_takes_many_valid_requests(client: Client, engines: Engines) -> None:
    """Which routes there are the description says: a new one is asked here, or this fails."""
    taken: Counter[str] = Counter()
    times = TIMES[engines.reader.dialect.name]
    ask = partial(many_times, times)
    paths = client.get("/schema/openapi.json").json()["paths"]
    client.event_hooks["response"] = [lambda answer: taken.update(route_of(paths, answer))]
    for tag in TAGS:
        assert client.post("/v1/valves", json={"tag": tag}).status_code == 201
    for file in FILES:
        ask(records_and_changes(file), partial(keep_record, client, file))
    ask(st.sampled_from(list(FILES)).flatmap(files), partial(bring_in, client))
    ask(st.tuples(days, REASONS), partial(void, client))
    ask(REASONS, partial(close, client, iter(findings(engines))))
    ask(st.tuples(TAKEN, REASONS), partial(accept, client))
    ask(st.tuples(st.integers(0, 10**9), REASONS), partial(accept_for, client, planned(client, engines)))
    ask(OTHERWISE, partial(suppose, client))
    ask(st.tuples(REASONS, PAID, days), partial(sign, client, engines, count()))
    ask(st.tuples(st.sampled_from(ROLES), HOLDERS, EXPIRIES), partial(keep_key, client))
    ask(days, partial(compute, client))
    writes = {f"{method} {path}" for path, methods in paths.items() for method in methods if method in WRITES}
    assert set(taken) == writes
    assert {route: one for route, one in taken.items() if one < times} == {}


def many_times(times: int, drawn: st.SearchStrategy[Any], ask: Callable[[Any], None]) -> None:
    """Ask with each of what is drawn."""

    @settings(max_examples=times, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(drawn)
    def run(said: Any) -> None:
        ask(said)

    run()


def route_of(paths: Body, answer: Any) -> Iterator[str]:
    """Find the route that took a request, if it did and it writes."""
    method, path = answer.request.method.lower(), answer.request.url.raw_path.decode().partition("?")[0]
    for route, methods in paths.items():
        pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(route))
        if answer.is_success and method in WRITES and method in methods and re.fullmatch(pattern, path):
            yield f"{method} {route}"


def keep_record(client: Client, file: str, pair: tuple[Body, Body]) -> None:
    """Create a record, change it, read what was sent and changed, and delete it: the next may have its codes."""
    body, change = pair
    made = client.post(f"/v1/{noun(file)}", json=body)
    assert made.status_code == 201, (file, made.text)
    address = made.headers["location"]
    try:
        assert same(made.json(), body)
        changed = client.patch(address, json=change, headers={"If-Match": made.headers["etag"]})
        assert changed.status_code == 200, (file, changed.text)
        read = client.get(address).json()
        assert read == changed.json()
        assert same(read, {**made.json(), **change})
    finally:
        assert client.delete(address, headers=ANY_STATE).status_code == 204


def noun(file: str) -> str:
    return file.replace("_", "-")


def same(stored: Body, sent: Body) -> bool:
    """Compare what was sent with what came back, in which lists have the order of their codes."""
    return {name: ordered(stored[name]) for name in sent} == {name: ordered(value) for name, value in sent.items()}


def ordered(value: Any) -> Any:
    return sorted(value) if isinstance(value, list) else value


def files(file: str) -> st.SearchStrategy[tuple[str, bytes]]:
    """Draw files of one row, every column stated."""
    return records(file).map(lambda body: (file, table(file, body)))


def table(file: str, body: Body) -> bytes:
    row = structs.asdict(msgspec.convert(body, RECORDS[file]))
    return "".join(write_table(list(row), [row], dialect="comma")).encode()


def bring_in(client: Client, sent: tuple[str, bytes]) -> None:
    """Import a file, and the same again in an archive."""
    file, content = sent
    answer = client.post(f"/v1/imports/{file}", content=content, headers=CSV)
    assert answer.status_code == 200, (file, answer.text)
    stream = BytesIO()
    with ZipFile(stream, "w") as archive:
        archive.writestr(f"{file}.csv", content)
    again = client.post("/v1/imports", content=stream.getvalue(), headers=ZIP)
    assert again.json()["files"] == [{"file": file, "created": 0, "changed": 0, "unchanged": 1}]


def void(client: Client, said: tuple[str, str]) -> None:
    """Void an event; deleted, it may be recorded again."""
    day, reason = said
    made = client.post("/v1/events", json={"ref": "V/1", "tag": TAGS[0], "done_on": day, "action": "rebuild"})
    address = made.headers["location"]
    try:
        answer = client.post(f"{address}/void", json={"reason": reason})
        assert answer.status_code == 200, answer.text
        assert answer.json()["void_reason"] == reason
    finally:
        assert client.delete(address).status_code == 204


def findings(engines: Engines) -> list[int]:
    """Store findings as a run does; say which."""
    with write_session(engines) as session:
        run = runs.create_run(session, as_of=AS_OF, requested_at=NOON, code_version="0", pid=1)
        runs.claim_run(session, run.id, started_at=NOON, pid=2)
        told = [{"kind": "reason_assumed", "detail": "", "identity": f"{number:064}"} for number in range(FINDINGS)]
        runs.store_results(session, run.id, {"findings": told, "reorder_points": [PROPOSAL]})
        stock_cases.store_cases(session, run_id=run.id, content=kept_case("S/1", "K/1"))
        runs.finish_run(session, run.id, finished_at=NOON, input_digest="", horizon_ends_on=AS_OF, method="", counts={})
    return list(range(1, FINDINGS + 1))


def close(client: Client, open_: Iterator[int], reason: str) -> None:
    """Close the next finding, reopen it, close it again."""
    number = next(open_)
    said = {"decision": "leave", "reason": reason}
    for way, body in (("close", said), ("reopen", {"reason": reason}), ("close", said)):
        answer = client.post(f"/v1/data-findings/{number}/{way}", json=body)
        assert answer.status_code == 200, answer.text
        assert answer.json()["reason"] == (None if way == "reopen" else reason)


def accept(client: Client, said: tuple[dict[str, int | None], str]) -> None:
    """Take something of a proposal, and find it in the log."""
    taken, reason = said
    answer = client.post("/v1/reorder-points/S%2F1/K%2F1/accept", json={**taken, "reason": reason})
    assert answer.status_code == 200, answer.text
    assert same(answer.json(), {**taken, "reason": reason})


def planned(client: Client, engines: Engines) -> str:
    """Plan one kit for a turnaround; tell where it is accepted."""
    assert client.post("/v1/turnarounds", json={"code": "PLANNED/1"}).status_code == 201
    store_plan(engines, "PLANNED/1", kits=[kit_line("K/1", storeroom="S/1")])
    return "/v1/turnarounds/PLANNED%2F1/kits/K%2F1/accept"


def accept_for(client: Client, address: str, said: tuple[int, str]) -> None:
    """Take something of what a turnaround wants ordered."""
    quantity, reason = said
    answer = client.post(address, json={"quantity": quantity, "reason": reason})
    assert answer.status_code == 200, answer.text
    assert same(answer.json(), {"quantity": quantity, "reason": reason, "turnaround": "PLANNED/1"})


def sign(client: Client, engines: Engines, numbers: Iterator[int], said: tuple[str, str, str]) -> None:
    """Sign a turnaround of its own, and note what came after."""
    reason, paid, day = said
    code = f"SIGNED/{next(numbers)}"
    made = client.post("/v1/turnarounds", json={"code": code})
    assert made.status_code == 201, made.text
    store_plan(engines, code)
    place = made.headers["location"]
    seen = {"If-Match": client.get(f"{place}/document").headers["etag"]}
    answer = client.post(f"{place}/sign", json={"note": reason}, headers=seen)
    assert answer.status_code == 200, answer.text
    late = {"tag": "FV-9", "change": "add", "reason": reason, "cost": paid.removeprefix("-")}
    for end, body in (("late-scope", late), ("actuals", {"line": "planned", "amount": paid, "paid_on": day})):
        answer = client.post(f"{place}/{end}", json=body)
        assert answer.status_code == 201, answer.text
        assert same(answer.json(), body)


def suppose(client: Client, otherwise: dict[str, Any]) -> None:
    """Ask what would be."""
    answer = client.post("/v1/what-if", json=otherwise)
    assert answer.status_code == 200, answer.text
    (row,) = answer.json()["value"]
    assert (row["what_if"]["target"], row["what_if"]["unit_cost"]) == (
        pytest.approx(otherwise["target"], rel=1e-5),
        otherwise["unit_cost"],
    )


def keep_key(client: Client, said: tuple[str, str, str]) -> None:
    """Make a key and revoke it."""
    role, holder, expires_at = said
    made = client.post("/v1/keys", json={"role": role, "holder": holder, "expires_at": expires_at})
    assert made.status_code == 201, made.text
    revoked = client.post(f"{made.headers['location']}/revoke").json()
    assert (revoked["role"], revoked["holder"], revoked["revoked_at"] is None) == (role, holder, False)


def compute(client: Client, day: str) -> None:
    """Ask for a run and call it off."""
    asked = client.post("/v1/runs", json={"as_of": day})
    assert (asked.status_code, asked.json()["as_of"]) == (202, day)
    assert client.post(f"{asked.headers['location']}/cancel").json()["status"] == "cancelled"
