"""A few rounds of SIGKILL, of every kind; `make soak` plays fifty."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.e2e.fault_rounds import RANDOM, ROUNDS, Rounds
from tests.postgresql_server import client_programs

SOAK = int(os.environ.get("FAULT_ROUNDS", "0"))
FEW = (
    ("import", "in the write"),
    ("run", "in the write"),
    ("run", "after commit#8"),
    ("accept", "after commit"),
    ("backup", RANDOM),
)


@pytest.mark.timeout(600 + 60 * SOAK)
def test_nothing_is_half_done_lost_or_done_twice(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, record_property: Callable[[str, object], None]
) -> None:
    monkeypatch.setenv("PG_BIN", str(client_programs()))
    servers = 1 if database_url.startswith("sqlite") else 2
    played = Rounds(database_url, tmp_path, servers=servers, seed=2026).play(
        [ROUNDS[number % len(ROUNDS)] for number in range(SOAK)] or FEW
    )
    assert len(played.acknowledged) > 0
    print(f"kills on {database_url.partition(':')[0]}, {servers} servers and schedulers:")
    for how, times in sorted(played.hits.items()):
        print(f"  {how}: {times}")
    record_property("kills", dict(played.hits))
