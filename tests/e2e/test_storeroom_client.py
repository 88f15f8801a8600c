"""The storeroom client of the README: its snippets are run as they stand there, against a server that asks for keys."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from pathlib import Path

import httpx
import pytest

from models.engine import open_engines
from service.use_cases.import_files import import_files
from service.use_cases.manage_keys import create_key
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import run_forecast
from tests.database_copies import copied
from tests.e2e.test_serve_open import PATIENCE, command, free_port, wait_until_alive

README = Path(__file__).parents[2] / "README.md"
SECTION = re.compile(r"^## A storeroom client\n(.*?)^## ", re.MULTILINE | re.DOTALL)
TOOLS = {"sh": "curl", "python": sys.executable}
AS_OF = date(2026, 3, 1)
PLANT = {
    "areas": "code,records_begin_on,storeroom\nUREA,2018-01-01,ST-UREA\n",
    "kits": "code,renews,unit_cost,lead_time_days\nQ-TRM-216,trim,9350,90\n",
    "design_kits": "design,maintainable_item,kit\nD-1,trim,Q-TRM-216\n",
    "stock": "storeroom,kit,on_hand\nST-UREA,Q-TRM-216,0\n",
    "valves": "tag,design,service_class,area,installed_on\n"
    + "".join(f"PV-{number},D-1,CARBAMATE,UREA,2018-01-01\n" for number in range(1, 7)),
    "events": "tag,done_on,action,reason\n"
    + "".join(f"PV-{number},20{18 + number}-0{number}-15,rebuild,failure\n" for number in range(1, 7)),
}


@dataclass(frozen=True, kw_only=True)
class Server:
    """Where a server answers, and the key of its storeroom."""

    address: str
    key: str

    def get(self, path: str) -> httpx.Response:
        """Ask as the storeroom does."""
        headers = {"Authorization": f"Bearer {self.key}"}
        return httpx.get(f"{self.address}{path}", headers=headers, timeout=PATIENCE, trust_env=False)


@pytest.fixture(scope="module")
def server(migrated_file: Path) -> Iterator[Server]:
    """Serve a plant forecast once to both snippets."""
    with copied(f"sqlite:///{migrated_file}") as url, served(url, key=forecast_and_make_key(url)) as server:
        yield server


def forecast_and_make_key(url: str) -> str:
    engines = open_engines(url)
    import_files(engines, {f"{name}.csv": BytesIO(text.encode()) for name, text in PLANT.items()}, today=AS_OF)
    run_forecast(engines, run_id=request_run(engines, as_of=AS_OF))
    key = create_key(engines, role="storeroom", holder="Storeroom program", expires_at=None).key
    engines.reader.dispose()
    assert isinstance(key, str)
    return key


@contextmanager
def served(url: str, *, key: str) -> Iterator[Server]:
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    database = Path(url.removeprefix("sqlite:///"))
    process = subprocess.Popen(command(database, "serve", "--port", str(port)), stderr=subprocess.DEVNULL)
    try:
        with httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(process.poll, client)
        yield Server(address=address, key=key)
    finally:
        process.terminate()
        process.wait(PATIENCE)


def snippet(language: str) -> str:
    section = SECTION.search(README.read_text(encoding="utf-8"))
    assert section is not None
    (found,) = re.findall(rf"^```{language}\n(.*?)^```$", section.group(1), re.MULTILINE | re.DOTALL)
    return str(found)


def run(language: str, server: Server, folder: Path) -> list[str]:
    shell = ["bash", "-euo", "pipefail", "-c", snippet("sh")]
    started = shell if language == "sh" else [TOOLS["python"], "-W", "error", "-c", snippet("python")]
    environment = {"PATH": os.environ["PATH"], "VALVE_KITS": server.address, "VALVE_KITS_KEY": server.key}
    ended = subprocess.run(started, capture_output=True, text=True, timeout=PATIENCE, env=environment, cwd=folder)
    assert (ended.returncode, ended.stderr) == (0, ""), ended.stdout
    return ended.stdout.splitlines()


def held(server: Server, *, order: str, issue: str) -> tuple[int, list[int], list[int]]:
    """Kits on hand, and what the lines of this order and of this issue are about."""
    (stock,) = server.get("/v1/stock").json()["value"]
    orders, issues = (server.get(f"/v1/{file}").json()["value"] for file in ("orders", "issues"))
    ordered = [row["qty"] for row in orders if row["ref"] == order]
    return stock["on_hand"], ordered, [row["qty"] for row in issues if row["ref"] == issue]


def taken(server: Server) -> list[tuple[int, str]]:
    return [(row["quantity"], row["holder"]) for row in server.get("/v1/acceptances").json()["value"]]


@pytest.mark.skipif(shutil.which("curl") is None, reason="the shell snippet is made of curl, which isn't here")
def test_the_shell_snippet_runs_and_may_be_run_again(server: Server, tmp_path: Path) -> None:
    before = taken(server)
    told = run("sh", server, tmp_path)
    (row,) = server.get("/v1/reorder-points").json()["value"]
    assert told[:2] == ["storeroom,kit,reorder_point,position", f"ST-UREA,Q-TRM-216,{row['reorder_point']},0"]
    assert [json.loads(line)["files"][0]["file"] for line in told[2:5]] == ["stock", "orders", "issues"]
    assert told[5:7] == ["200", "304"]
    assert (tmp_path / "order-list.csv").read_text().startswith("storeroom,kit,position,reorder_point,order_quantity")
    assert json.loads(told[7])["quantity"] == 5
    run("sh", server, tmp_path)
    assert held(server, order="order-0117", issue="out-3051") == (3, [2], [1])
    assert taken(server) == [*before, (5, "Storeroom program")]


def test_the_python_snippet_runs(server: Server, tmp_path: Path) -> None:
    before = taken(server)
    assert run("python", server, tmp_path) == ["0", "304", "Storeroom program"]
    assert held(server, order="order-0118", issue="out-3052") == (3, [2], [1])
    assert taken(server) == [*before, (5, "Storeroom program")]
