"""The programs people look at the service with, and one real server on the demo for all of them."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.e2e.test_serve_open import PATIENCE, command, free_port, wait_until_alive

INSTALL = "apt-get install --no-install-recommends libreoffice-calc chromium fonts-dejavu-core"
DEMO_SECONDS = 300  # 20 on a quiet machine


@dataclass(frozen=True, kw_only=True)
class ServedDemo:
    """Where the demo is served without a key, and the database it is served from."""

    address: str
    database: Path


def program(*names: str) -> str:
    """Find a program by the first of its names that this computer knows."""
    found = next((path for path in map(shutil.which, names) if path), None)
    if found is None:
        pytest.exit(f"{names[0]} is missing: {INSTALL}", returncode=pytest.ExitCode.USAGE_ERROR)
    return found


@pytest.fixture(scope="session")
def soffice() -> str:
    """Give the path of LibreOffice."""
    return program("soffice", "libreoffice")


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Give the path of Chromium."""
    return program("chromium", "chromium-browser")


@pytest.fixture(scope="session")
def demo_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the demo, forecast once; whoever writes to it takes a copy."""
    path = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    subprocess.run(command(path, "demo", "--no-serve"), check=True, stdout=subprocess.DEVNULL, timeout=DEMO_SECONDS)
    return path


@pytest.fixture(scope="session")
def served_demo(demo_database: Path) -> Iterator[ServedDemo]:
    """Serve the demo to this computer for the whole session."""
    with serving(demo_database) as served:
        yield served


@contextmanager
def serving(database: Path) -> Iterator[ServedDemo]:
    """Serve a database of the demo to this computer."""
    port = free_port()
    options = ("serve", "--open", "--port", str(port), "--requests-per-minute", "100000")
    process = subprocess.Popen(command(database, *options), stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        with httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(process.poll, client)
        yield ServedDemo(address=address, database=database)
    finally:
        process.terminate()
        process.wait(PATIENCE)
