"""The command line for tired people and for programs: one sentence for what is wrong, JSON, completion."""

import json
import os
import pty
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from tests.commands import valve_kits


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["imprt"], 2, "No such command 'imprt'. Did you mean 'import'? (valve-kits --help)"),
        (["run", "--asof"], 2, "No such option: --asof (Possible options: --as-of"),
        (["run", "--as-of", "tomorrow"], 2, "Invalid value for '--as-of': tomorrow is not a date like 2026-06-30"),
        (["import"], 2, "Missing argument 'paths' (valve-kits import --help)"),
        (["import", "--dates", "us", "."], 2, "Invalid value for '--dates': 'us' is not one of 'iso', 'dmy', 'mdy'"),
        (["key", "create", "reader", "--holder", "I", "--expires", "soon"], 2, "soon is not a date like 2026-06-30"),
        (["run", "--run-id", "77"], 2, "there is no run 77"),
        (["export", "/dev/null/none"], 1, "/dev/null/none: Not a directory"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_what_is_wrong_is_one_sentence(sqlite_url: str, arguments: list[str], status: int, said: str) -> None:
    answer = valve_kits(sqlite_url, *arguments)
    assert (answer.returncode, answer.stdout) == (status, "")
    (line,) = answer.stderr.splitlines()
    assert line.startswith("valve-kits: ")
    assert said in line


def test_nothing_asked_shows_what_there_is(sqlite_url: str) -> None:
    answer = valve_kits(sqlite_url)
    assert (answer.returncode, answer.stderr) == (0, "")
    told = [answer.stdout.find(f" {command} ") for command in ("import", "run", "serve", "backup")]
    assert told == sorted(told)
    assert told[0] > 0
    assert valve_kits(sqlite_url, "--version").stdout.startswith("valve-kits 0.")


def test_programs_are_answered_in_json(sqlite_url: str, tmp_path: Path) -> None:
    exported = json.loads(valve_kits(sqlite_url, "export", str(tmp_path / "plant"), "--json").stdout)
    assert {Path(path).name for path in exported["files"]} >= {"valves.csv", "events.csv"}
    assert all(Path(path).exists() for path in exported["files"])
    copy = str(tmp_path / "copy")
    assert json.loads(valve_kits(sqlite_url, "backup", copy, "--json").stdout) == {"file": copy}
    assert json.loads(valve_kits(sqlite_url, "restore", copy, "--json").stdout) == {"file": copy}
    assert json.loads(valve_kits(sqlite_url, "migrate", "--json").stdout) == {"up_to_date": True}


def test_a_shell_completes_options() -> None:
    """Asked as the script of `--show-completion bash` asks."""
    asked = {"_VALVE_KITS_COMPLETE": "complete_bash", "COMP_WORDS": "valve-kits run --", "COMP_CWORD": "2"}
    command = [sys.executable, "-c", "from service.cli import main; main()"]
    environment = {**os.environ, **asked}
    answer = subprocess.run(command, env=environment, capture_output=True, text=True, check=True, timeout=60)
    assert set(answer.stdout.split()) == {"--as-of", "--run-id", "--profile", "--json", "--help"}


def seen_on_a_terminal(url: str, *arguments: str) -> str:
    """Run a command whose standard error is a terminal; give what is seen there."""
    mine, its = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "VALVE_KITS_DATABASE": url}
    command = [sys.executable, "-m", "service.cli", *arguments]
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=its) as running:
        os.close(its)
        seen = b""
        with suppress(OSError):  # how a terminal says that the other side is closed
            while part := os.read(mine, 65536):
                seen += part
        os.close(mine)
    assert running.returncode in {0, 1, 2}
    return seen.decode()


def test_who_waits_at_a_terminal_sees_the_stage_and_programs_see_none(sqlite_url: str) -> None:
    seen = seen_on_a_terminal(sqlite_url, "run")
    assert "forecasting" in seen
    assert "reading" in seen_on_a_terminal(sqlite_url, "backtest")
    assert "forecasting" not in seen_on_a_terminal(sqlite_url, "run", "--json")
    assert valve_kits(sqlite_url, "run").stderr == ""
