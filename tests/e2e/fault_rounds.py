"""Rounds of SIGKILL: imports, runs, acceptances and backups ended anywhere, and what must hold after each.

On PostgreSQL with two servers and two schedulers, on SQLite with one. Killed at a named point, or after a moment drawn
from a seeded generator. After every round: the database checks itself, no half run can be seen, every acknowledged
write is there, no job was done twice, and all servers export the same.
"""

import os
import random
import signal
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
from sqlalchemy import text

from models.engine import Engines, open_engines
from models.queries.runs import RESULT_TABLES
from service.db import read_session
from service.schedule import Schedule
from service.use_cases.keep_copies import bring_back
from tests.commands import Process, forked
from tests.e2e.killed_server import back_up, schedule
from tests.e2e.test_killed_imports import EVENTS, assert_sound, events, serving

CSV = {"Content-Type": "text/csv"}
SITE = Schedule(zone=ZoneInfo("Europe/Berlin"))
FIRST = datetime(2026, 3, 2, 4, 5, tzinfo=UTC)
RANDOM = "at random"
LATEST_SECONDS = {"import": 0.4, "run": 1.2, "accept": 0.03, "backup": 0.3}
# a run commits five times before its results, and once more to close its job; `#n` is the n-th time a point is met
ROUNDS = (
    *(("import", point) for point in ("before the write", "in the write", "before commit", "after commit", RANDOM)),
    *(("run", point) for point in ("before commit#1", "after commit#1", "after commit#2", "after commit#5")),
    *(("run", point) for point in ("in the write", "before commit#7", "after commit#8", RANDOM)),
    *(("accept", point) for point in ("in the write", "before commit", "after commit", RANDOM)),
    *(("backup", point) for point in ("in the write", RANDOM)),
)
PATIENCE, MOST_LOOKS = 240.0, 6
PROPOSAL = "/v1/reorder-points/unassigned/rebuild%20GLOBE"
VALVES = "tag,design,area,installed_on\n" + "".join(f"FV-{number},GLOBE,U1,2015-01-01\n" for number in range(50))
SUMS = {name: model.__tablename__ for name, model in RESULT_TABLES.items()}


@dataclass
class Played:
    """What was done so far: how many rounds ended how, and what was acknowledged."""

    hits: Counter[str] = field(default_factory=Counter)
    acknowledged: set[str] = field(default_factory=set)
    accepted: set[str] = field(default_factory=set)
    events: dict[int, bool] = field(default_factory=dict)
    days: int = 0


class Rounds:
    """A database, the servers on it, and the rounds played with them.

    Parameters
    ----------
    url : str
        Of a migrated database.
    folder : Path
        For what the processes are told, and backups.
    servers : int
        How many answer at once; the first is the one that is killed.
    seed : int
        Of the moments drawn.
    """

    def __init__(self, url: str, folder: Path, *, servers: int, seed: int) -> None:
        self.url, self.folder, self.servers = url, folder, servers
        self.engines = open_engines(url)
        self.drawn = random.Random(seed)
        self.played = Played()

    def play(self, rounds: Iterable[tuple[str, str]]) -> Played:
        """Play rounds, each checked before the next."""
        with ExitStack() as stack:
            stack.callback(self.engines.reader.dispose)
            _, client = stack.enter_context(serving(self.url, self._told("server 0")))
            client.post("/v1/imports/valves", content=VALVES, headers=CSV).raise_for_status()
            others = [
                stack.enter_context(serving(self.url, self._told(f"server {number}")))[1]
                for number in range(1, self.servers)
            ]
            for number, (what, point) in enumerate(rounds):
                with self._writing(others or [client], number):
                    getattr(self, f"_{what}")(number, point)
                self._check([client, *others])
        return self.played

    def _told(self, name: str) -> Path:
        told = self.folder / name
        told.mkdir(exist_ok=True)
        return told

    def _import(self, number: int, point: str) -> None:
        """Send a file to a server of its own that is killed over it, and again to another."""
        told = self._told("doomed server")
        with serving(self.url, told) as (process, client):
            sender = threading.Thread(target=self._send, args=(client, number))
            self._end([process], told, what="import", point=point, begin=sender.start)
            sender.join(PATIENCE)
        with serving(self.url, self._told("next server")) as (_, client):
            client.post("/v1/imports/events", content=events(number), headers=CSV).raise_for_status()
        self.played.events[number] = True

    def _send(self, client: httpx.Client, number: int) -> None:
        with suppress(httpx.TransportError):
            client.post("/v1/imports/events", content=events(number), headers=CSV)

    def _run(self, number: int, point: str) -> None:
        """Have a job done by schedulers of which one is killed, until it is done."""
        day = FIRST + timedelta(days=self.played.days)
        self.played.days += 1
        told, unharmed = self._told("doomed scheduler"), self._told("scheduler")
        # whichever takes the job meets the point
        both = [forked(schedule, told, self.url, SITE, day) for _ in range(self.servers)]
        self._end(both, told, what="run", point=point, begin=lambda: _start(both))
        for _ in range(MOST_LOOKS):
            if self._finished_jobs() == self.played.days:
                return
            look = forked(schedule, unharmed, self.url, SITE, day)
            look.start()
            look.join(PATIENCE)
        raise AssertionError(f"the job due on {day} was not done")

    def _accept(self, number: int, point: str) -> None:
        """Accept a proposal at a server of its own that is killed over it; and at another if it isn't in the log."""
        told, reason = self._told("doomed server"), f"round {number}"
        with serving(self.url, told) as (process, client):
            sender = threading.Thread(target=self._take, args=(client, reason))
            self._end([process], told, what="accept", point=point, begin=sender.start)
            sender.join(PATIENCE)
        logged = self._logged()
        committed = {"in the write": False, "before commit": False, "after commit": True}.get(point, reason in logged)
        assert (reason in logged) == committed
        if not committed:
            with serving(self.url, self._told("next server")) as (_, client):
                self._take(client, reason)
                assert reason in self.played.accepted
        self.played.accepted.add(reason)

    def _take(self, client: httpx.Client, reason: str) -> None:
        with suppress(httpx.TransportError):
            client.post(f"{PROPOSAL}/accept", json={"quantity": 1, "reason": reason}).raise_for_status()
            self.played.accepted.add(reason)

    def _logged(self) -> list[str]:
        with read_session(self.engines) as session:
            return [row.reason for row in session.execute(text("SELECT reason FROM acceptances ORDER BY id"))]

    def _backup(self, number: int, point: str) -> None:
        """Kill a backup: the last one stays or the new one is whole already; the next one is, too."""
        copy, told = self.folder / "copy", self._told("doomed backup")
        before = copy.read_bytes() if copy.exists() else None
        process = forked(back_up, told, self.url, copy)
        self._end([process], told, what="backup", point=point, begin=process.start)
        left = copy.read_bytes() if copy.exists() else None
        if process.exitcode != 0 and left != before:
            # its moment may come after the new one took the place of the last, and before the process ends
            assert point == RANDOM
            self._expect_whole(copy)
        whole = forked(back_up, self._told("backup"), self.url, copy)
        whole.start()
        whole.join(PATIENCE)
        assert whole.exitcode == 0

    def _expect_whole(self, copy: Path) -> None:
        """Read a backup to its end."""
        if self.url.startswith("sqlite"):
            engines = open_engines(f"sqlite:///{copy}")
            assert_sound(engines)
            with read_session(engines) as session:
                count = session.execute(text("SELECT count(*) FROM events")).scalar_one()
            engines.reader.dispose()
            assert count == len(self.played.events) * EVENTS
        else:
            command = [str(Path(os.environ["PG_BIN"]) / "pg_restore"), "--file", os.devnull, str(copy)]
            subprocess.run(command, check=True, timeout=PATIENCE)

    def _end(
        self, processes: Sequence[Process], told: Path, *, what: str, point: str, begin: Callable[[], object]
    ) -> None:
        """Let processes begin, and end one where it is told to, or the first when its moment comes."""
        wanted = told / "point"
        if point != RANDOM:
            wanted.write_text(point)
        begin()
        if point == RANDOM:
            time.sleep(self.drawn.uniform(0.0, LATEST_SECONDS[what]))
            processes[0].kill()
        for process in processes:
            process.join(PATIENCE)
            if process.is_alive():
                process.kill()
                raise AssertionError(f"{what}, {point}: not ended within {PATIENCE:g} seconds")
        wanted.unlink(missing_ok=True)
        killed = any(process.exitcode == -signal.SIGKILL for process in processes)
        ended = "killed" if killed else "ended before"
        self.played.hits[f"{what}, {point}, {ended}"] += 1

    @contextmanager
    def _writing(self, clients: list[httpx.Client], number: int) -> Iterator[None]:
        """Write meanwhile to a server that lives, and remember what it acknowledged."""
        stop = threading.Event()

        def write() -> None:
            turn = 0
            while not stop.is_set():
                code = f"M-{number}-{turn}"
                # a run doesn't take longer for it, as it would for valves
                answer = clients[turn % len(clients)].post("/v1/materials", json={"code": code})
                if answer.status_code == 201:
                    self.played.acknowledged.add(code)
                turn += 1
                stop.wait(0.05)

        writer = threading.Thread(target=write)
        writer.start()
        try:
            yield
        finally:
            stop.set()
            writer.join(PATIENCE)

    def _finished_jobs(self) -> int:
        with read_session(self.engines) as session:
            done = text("SELECT count(*) FROM scheduled_jobs WHERE status = 'finished'")
            return int(session.execute(done).scalar_one())

    def _check(self, clients: list[httpx.Client]) -> None:
        if self.engines.reader.dialect.name == "sqlite":
            assert_sound(self.engines)
        else:
            self._expect_no_orphans()
        self._expect_whole_runs()
        with read_session(self.engines) as session:
            codes = {row.code for row in session.execute(text("SELECT code FROM materials"))}
            refs = session.execute(text("SELECT count(*), count(DISTINCT ref_key) FROM events")).one()
        assert self.played.acknowledged <= codes
        assert sorted(self._logged()) == sorted(self.played.accepted)
        assert refs == (len(self.played.events) * EVENTS, len(self.played.events) * EVENTS)
        exported = [client.get("/v1/events?format=csv").content for client in clients]
        assert len(set(exported)) == 1
        answer = clients[0].post("/v1/imports/events?dry_run=true", content=exported[0], headers=CSV)
        assert answer.json()["files"] == [
            {"file": "events", "created": 0, "changed": 0, "unchanged": len(self.played.events) * EVENTS}
        ]

    def _expect_no_orphans(self) -> None:
        with read_session(self.engines) as session:
            orphans = "SELECT count(*) FROM event_renewed WHERE event_id NOT IN (SELECT id FROM events)"
            assert session.execute(text(orphans)).scalar_one() == 0

    def _expect_whole_runs(self) -> None:
        """Results are of finished runs only, and as many as each says; each due time has one of them."""
        with read_session(self.engines) as session:
            for table in SUMS.values():
                half = f"SELECT count(*) FROM {table} WHERE run_id IN (SELECT id FROM runs WHERE status <> 'finished')"
                assert session.execute(text(half)).scalar_one() == 0
            finished = session.execute(text("SELECT id, as_of FROM runs WHERE status = 'finished'")).all()
            done = session.execute(text("SELECT run_id FROM scheduled_jobs WHERE status = 'finished'")).all()
            opened = session.execute(text("SELECT count(*) FROM runs WHERE open_slot IS NOT NULL")).scalar_one()
        assert sorted(row.id for row in finished) == sorted(row.run_id for row in done)
        assert len({row.as_of for row in finished}) == len(finished) == self.played.days
        assert opened == 0


def _start(processes: Sequence[Process]) -> None:
    for process in processes:
        process.start()


def assert_backup_is_whole(rounds: Rounds, url: str) -> None:
    """Bring the last backup back into another database, and look at that."""
    bring_back(url, rounds.folder / "copy")
    engines: Engines = open_engines(url)
    with read_session(engines) as session:
        assert session.execute(text("SELECT count(*) FROM events")).scalar_one() > 0
    engines.reader.dispose()
