"""The record against a plain dictionary: whatever is asked in whatever order, both say the same."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test
from litestar.testing import TestClient

from models.queries.files import FILES
from service.etags import MATCH_NEEDED
from service.settings import Settings
from tests.service.valid_records import Body, records_and_changes

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]

MODELLED = ("storerooms", "areas", "designs", "kits", "policies", "valves", "stock", "reservations")
EXAMPLES, STEPS = 10, 30


class RecordMachine(RuleBasedStateMachine):
    """Asks a server; each of its runs begins with no records."""

    def __init__(self, client: Client) -> None:
        super().__init__()
        self.client = client
        self.rows: dict[str, tuple[str, Body, str]] = {}  # address -> file, record, tag of its state
        self.touched: tuple[str, ...] = MODELLED
        self.emptied()

    def emptied(self) -> None:
        """Delete what there is, what names others first."""
        while left := [address for file in MODELLED for address in addresses(self.client, file)]:
            for address in left:
                self.client.delete(address, headers={"If-Match": "*"})

    @rule(data=st.data(), file=st.sampled_from(MODELLED))
    def create(self, data: st.DataObject, file: str) -> None:
        """Create a record: refused if it is there, or names a valve that is not."""
        body, _ = data.draw(records_and_changes(file))
        self.touched = (file,)
        answer = self.client.post(f"/v1/{noun(file)}", json=body)
        address = address_of(file, body)
        unknown = body.get("tag") if file == "reservations" else None
        if unknown and address_of("valves", {"tag": unknown}) not in self.rows:
            assert answer.status_code == 400
        elif address in self.rows:
            assert answer.status_code == 409
        else:
            assert answer.status_code == 201, answer.text
            self.rows[address] = (file, ordered(answer.json()), answer.headers["etag"])
            assert ordered(body).items() <= self.rows[address][1].items()

    @precondition(lambda self: bool(self.rows))
    @rule(data=st.data())
    def change(self, data: st.DataObject) -> None:
        """Change a record, or try to with the tag of another state."""
        address = data.draw(st.sampled_from(sorted(self.rows)))
        file, record, tag = self.rows[address]
        self.touched = (file,)
        _, change = data.draw(records_and_changes(file))
        stale = data.draw(st.booleans())
        answer = self.client.patch(address, json=change, headers={"If-Match": '"stale"' if stale else tag})
        if stale:
            assert answer.status_code == 412
        elif answer.status_code == 200:
            self.rows[address] = (file, {**record, **ordered(change)}, answer.headers["etag"])
        else:
            assert answer.status_code == 400, answer.text  # against a column that stays, or an unknown tag

    @precondition(lambda self: bool(self.rows))
    @rule(data=st.data())
    def delete(self, data: st.DataObject) -> None:
        """Delete a record, unless another one names it."""
        address = data.draw(st.sampled_from(sorted(self.rows)))
        file, record, tag = self.rows[address]
        self.touched = (file,)
        if file in MATCH_NEEDED:
            assert self.client.delete(address).status_code == 428
        answer = self.client.delete(address, headers={"If-Match": tag})
        assert answer.status_code == (409 if self.is_named(file, record) else 204), answer.text
        if answer.status_code == 204:
            del self.rows[address]

    def is_named(self, file: str, record: Body) -> bool:
        """Say whether another record names this one."""
        code = record[FILES[file].key[0]]
        return any(
            code == row[reference.name]
            or (isinstance(row[reference.name], list | dict) and code in row[reference.name])
            for other, row, _ in self.rows.values()
            for reference in FILES[other].references
            if reference.file == file
        )

    @invariant()
    def says_the_same(self) -> None:
        """Compare the list of what was asked for last."""
        self.compare(self.touched)

    def teardown(self) -> None:
        """Compare every list: what a step did to another file is still there."""
        self.compare(MODELLED)

    def compare(self, files: tuple[str, ...]) -> None:
        """Compare lists with the dictionary."""
        for file in files:
            expected = [row for of_file, row, _ in self.rows.values() if of_file == file]
            listed = [ordered(row) for row in self.client.get(f"/v1/{noun(file)}").json()["value"]]
            assert sorted(listed, key=str) == sorted(expected, key=str)


def addresses(client: Client, file: str) -> list[str]:
    return [address_of(file, row) for row in client.get(f"/v1/{noun(file)}").json()["value"]]


def address_of(file: str, row: Body) -> str:
    return "/".join(("/v1", noun(file), *(quote(row[name], safe="") for name in FILES[file].key)))


def noun(file: str) -> str:
    return file.replace("_", "-")


def ordered(row: Body) -> Body:
    """Give lists one order: the server gives them that of their codes."""
    return {name: sorted(value) if isinstance(value, list) else value for name, value in row.items()}


@pytest.mark.timeout(600)
def test_the_record_is_what_a_dictionary_would_be(database_url: str, connect: Connect) -> None:
    run = settings(
        max_examples=EXAMPLES,
        stateful_step_count=STEPS,
        deadline=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    with connect(Settings(database_url=database_url, access="open")) as client:
        machine: Any = partial(RecordMachine, client)
        run_state_machine_as_test(machine, settings=run)
