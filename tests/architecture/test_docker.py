"""The image and the composition name commands, files and settings that there are."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml  # type: ignore[import-untyped]

from service import settings
from service.cli import app

ROOT = Path(__file__).parents[2]
DOCKERFILE = (ROOT / "docker" / "Dockerfile").read_text()
COMPOSED: dict[str, Any] = yaml.safe_load((ROOT / "docker" / "compose.yaml").read_text())
NAMED = re.compile(r"VALVE_KITS_[A-Z_]+")
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


def test_the_composition_hands_on_every_setting_there_is_and_no_other() -> None:
    """With the value that holds where nobody sets one, so that adding a line to `.env` is all it takes."""
    group: Any = typer.main.get_command(app)
    options = [option for command in [group, *group.commands.values()] for option in command.params if option.envvar]
    defaults = {option.envvar: option.default for option in options}
    defaults |= {settings.CLUSTER_VARIABLE: "", settings.PROCESSES_VARIABLE: 1, "VALVE_KITS_TIME_ZONE": "UTC"}
    for service in (COMPOSED["services"][name] for name in ("migrate", "api", "scheduler")):
        handed_on = dict(service["environment"])
        assert handed_on.pop(settings.DATABASE_VARIABLE).startswith("postgresql://")
        assert handed_on == {
            name: f"${{{name}:-{value}}}" for name, value in defaults.items() if name != settings.DATABASE_VARIABLE
        }


def test_settings_read_from_the_environment_are_named_where_settings_are() -> None:
    """Else the test above wouldn't know them."""
    read = {name for path in (ROOT / "service").rglob("*.py") for name in NAMED.findall(path.read_text())}
    group: Any = typer.main.get_command(app)
    options = {option.envvar for command in [group, *group.commands.values()] for option in command.params}
    assert read <= options | {settings.CLUSTER_VARIABLE, settings.PROCESSES_VARIABLE}


def test_the_image_can_compute_on_a_cluster() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    (asked,) = re.findall(r'"\.\[(.*)\]"', DOCKERFILE)
    assert asked.split(",") == ["cluster"]
    assert "cluster" in extras


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
