"""A server that asks for keys, over a socket: its answers and everything it writes, searched for the keys."""

import subprocess
import sys
from pathlib import Path

import httpx

from tests.e2e.test_serve_open import PATIENCE, command, free_port, wait_until_alive

CSV = {"Content-Type": "text/csv"}


def make_key(database: Path, role: str) -> str:
    arguments = command(database, "key", "create", role, "--holder", "Ines Example")
    made = subprocess.run(arguments, check=True, capture_output=True, text=True, timeout=PATIENCE)
    return made.stdout.strip()


def ask_for_everything(client: httpx.Client, *, sheet: str, admin: str) -> str:
    """Ask well and badly, with each key in each place; give all that was answered."""
    bearer = {"Authorization": f"Bearer {admin}"}
    answers = [
        client.get("/v1/valves"),
        client.get(f"/v1/valves?format=csv&key={sheet}"),
        client.get(f"/v1/valves?format=csv&limit=1&cursor=x&key={sheet}"),
        client.get(f"/v1/valves?key={admin}"),
        client.get(f"/v1/nothing?format=csv&key={sheet}"),
        client.get(f"/v1/valves?format=csv&key={sheet}%00"),
        client.get("/v1/valves", headers=bearer),
        client.post("/v1/imports/valves", content="tag\nFV-1\n", headers={**bearer, **CSV}),
        client.post("/v1/keys", content="{", headers={**bearer, "Content-Type": "application/json"}),
        client.get("/v1/keys", headers=bearer),
        client.get("/v1/audit", headers=bearer),
    ]
    assert [answer.status_code for answer in answers] == [401, 200, 400, 403, 404, 401, 200, 200, 400, 200, 200]
    return "".join(f"{answer.headers}{answer.text}" for answer in answers)


def test_no_key_stands_in_an_answer_or_a_log(tmp_path: Path) -> None:
    database, port = tmp_path / "record.sqlite", free_port()
    sheet, admin = make_key(database, "sheet"), make_key(database, "admin")
    written = tmp_path / "log"
    with written.open("wb") as log:
        process = subprocess.Popen(command(database, "serve", "--port", str(port)), stdout=log, stderr=log)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE, trust_env=False) as client:
                wait_until_alive(process.poll, client)
                answered = ask_for_everything(client, sheet=sheet, admin=admin)
        finally:
            process.terminate()
            process.wait(PATIENCE)
    logged = written.read_text()
    assert logged.count('"event": "request"') >= 11
    assert '"role": "sheet"' in logged
    for key in (sheet, admin):
        assert key not in logged
        assert key not in answered
    assert sys.executable not in answered
