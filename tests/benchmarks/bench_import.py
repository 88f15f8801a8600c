"""How long a million events take through HTTP, beside the barest way to put them into either database.

`make bench` prints the table: seconds, the ratio to the bare way (executemany on SQLite, COPY on PostgreSQL), and how
far the server's memory rose, which must not be more than 150 MiB. The ratio holds from machine to machine where seconds
don't, and is still only worth something on a quiet machine: the load is printed. `--events` makes it smaller.
"""

import argparse
import csv
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import httpx
import psycopg

from models.engine import migrate
from tests.e2e.test_serve_open import free_port, wait_until_alive
from tests.postgresql_server import running_postgresql

MILLION = 1_000_000
VALVES = 2_000
HEADER = ("ref", "tag", "done_on", "action", "renewed", "note")
FIRST_DAY = date(1990, 1, 1)
CSV = {"Content-Type": "text/csv"}
BLOCK = 256 * 1024
MOST_MIB = 150.0  # that the server's memory may rise by, however many events there are
Row = tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Seconds of the import and of the bare way, and the server's memory before and at its highest [MiB]."""

    database: str
    seconds: float
    bare_seconds: float
    before_mib: float
    peak_mib: float


def events(count: int) -> Iterator[Row]:
    """Make up events, one work order each."""
    for number in range(count):
        day = FIRST_DAY + timedelta(number % 12_000)
        yield f"WO-{number}", f"FV-{number % VALVES}", day.isoformat(), "rebuild", "packing|trim", "seat cut, lapped"


def write_files(folder: Path, count: int) -> None:
    """Write what is imported."""
    (folder / "valves.csv").write_text("tag\n" + "".join(f"FV-{number}\n" for number in range(VALVES)))
    with (folder / "events.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEADER)
        writer.writerows(events(count))


@contextmanager
def serving(url: str) -> Iterator[tuple[subprocess.Popen[bytes], httpx.Client]]:
    """Serve a database in a process of its own."""
    port = free_port()
    command = [sys.executable, "-m", "service.cli", "--database", url, "serve", "--open", "--port", str(port)]
    process = subprocess.Popen([*command, "--import-limit-mib", "4096"])
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=3600, trust_env=False) as client:
            wait_until_alive(process.poll, client)
            yield process, client
    finally:
        process.terminate()
        process.wait()


def memory_mib(process: subprocess.Popen[bytes], field: str) -> float:
    """Read the resident memory of a process: VmRSS now, VmHWM at its highest."""
    status = Path(f"/proc/{process.pid}/status").read_text()
    line = next(line for line in status.splitlines() if line.startswith(field))
    return int(line.split()[1]) / 1024


def blocks(path: Path) -> Iterator[bytes]:
    """Read a file as a client sends it."""
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            yield block


def measure(database: str, url: str, folder: Path, bare: Callable[[], float], count: int) -> Measured:
    """Import over HTTP, then put the same rows into the database the bare way."""
    with serving(url) as (process, client):
        client.post("/v1/imports/valves", content=(folder / "valves.csv").read_bytes(), headers=CSV).raise_for_status()
        before = memory_mib(process, "VmRSS")
        begun = time.perf_counter()
        answer = client.post("/v1/imports/events", content=blocks(folder / "events.csv"), headers=CSV)
        seconds = time.perf_counter() - begun
        answer.raise_for_status()
        if answer.json()["files"][0]["created"] != count:
            raise RuntimeError(f"not every event was stored: {answer.text}")
        peak = memory_mib(process, "VmHWM")
        if peak - before > MOST_MIB:
            raise RuntimeError(f"the server's memory rose from {before:.0f} to {peak:.0f} MiB")
    return Measured(database=database, seconds=seconds, bare_seconds=bare(), before_mib=before, peak_mib=peak)


def bare_sqlite(folder: Path, count: int) -> float:
    """Time executemany into a table without keys."""
    with sqlite3.connect(folder / "bare.sqlite") as connection:
        connection.execute(f"CREATE TABLE bare ({', '.join(f'{name} TEXT' for name in HEADER)})")
        begun = time.perf_counter()
        connection.executemany("INSERT INTO bare VALUES (?, ?, ?, ?, ?, ?)", events(count))
        connection.commit()
    return time.perf_counter() - begun


def bare_postgresql(url: str, count: int) -> float:
    """Time COPY into a table without keys."""
    with psycopg.connect(url) as connection:
        connection.execute(f"CREATE TABLE bare ({', '.join(f'{name} text' for name in HEADER)})".encode())
        begun = time.perf_counter()
        with connection.cursor().copy("COPY bare FROM STDIN") as copy:
            for row in events(count):
                copy.write_row(row)
        connection.commit()
    return time.perf_counter() - begun


def main() -> None:
    """Measure both databases and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=MILLION)
    count = parser.parse_args().events
    with tempfile.TemporaryDirectory() as name, running_postgresql() as server:
        folder = Path(name)
        write_files(folder, count)
        sqlite, postgresql = f"sqlite:///{folder / 'plant.sqlite'}", f"{server}postgres"
        migrate(postgresql)
        size = (folder / "events.csv").stat().st_size / 2**20
        load, processors = os.getloadavg()[0], os.cpu_count()
        print(f"{count} events, {size:.0f} MiB of CSV, by HTTP; load of the machine before: {load:.1f} on {processors}")
        print(f"{'database':12}{'seconds':>9}{'bare':>9}{'ratio':>9}{'memory before':>15}{'highest':>9} MiB")
        for measured in (
            measure("SQLite", sqlite, folder, lambda: bare_sqlite(folder, count), count),
            measure("PostgreSQL", postgresql, folder, lambda: bare_postgresql(postgresql, count), count),
        ):
            ratio = measured.seconds / measured.bare_seconds
            print(
                f"{measured.database:12}{measured.seconds:9.1f}{measured.bare_seconds:9.2f}{ratio:9.1f}"
                f"{measured.before_mib:15.0f}{measured.peak_mib:9.0f}"
            )


if __name__ == "__main__":
    main()
