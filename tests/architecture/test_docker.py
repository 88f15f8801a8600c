"""The image and the composition name commands, files and settings that there are."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml  # type: ignore[import-untyped]

from service.cli import app

ROOT = Path(__file__).parents[2]
DOCKERFILE = (ROOT / "docker" / "Dockerfile").read_text()
COMPOSED: dict[str, Any] = yaml.safe_load((ROOT / "docker" / "compose.yaml").read_text())
COMMANDS = [
    json.loads(re.findall(r"^CMD (.*)$", DOCKERFILE, re.MULTILINE)[-1]),
    *(service["command"] for service in COMPOSED["services"].values() if "command" in service),
]


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_each_command_is_one_of_ours_with_options_it_knows(words: list[str]) -> None:
    program, name, *options = words
    group: Any = typer.main.get_command(app)
    command = group.commands[name]
    assert program == "valve-kits"
    command.make_context(name, list(options))


def test_settings_in_the_composition_are_read_by_somebody() -> None:
    group: Any = typer.main.get_command(app)
    known = {
        option.envvar for command in [group, *group.commands.values()] for option in command.params if option.envvar
    }
    set_there = {name for service in COMPOSED["services"].values() for name in service["environment"]}
    assert {name for name in set_there if name.startswith("VALVE_KITS")} <= known


def test_what_the_image_copies_is_there() -> None:
    copied = [
        line.split()[1:-1] for line in DOCKERFILE.splitlines() if line.startswith("COPY") and "--from" not in line
    ]
    assert [name for names in copied for name in names if not (ROOT / name).exists()] == []
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    packages = {name.partition(".")[0] for name in project["tool"]["setuptools"]["packages"]}
    assert packages <= {name for names in copied for name in names}


def test_the_image_runs_as_nobody_in_particular() -> None:
    last = DOCKERFILE.rpartition("FROM ")[2]
    assert re.findall(r"^USER (.*)$", last, re.MULTILINE) == ["10001:10001"]
    assert "HEALTHCHECK" in last
