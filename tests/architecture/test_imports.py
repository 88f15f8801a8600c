"""Dependencies point one way; the contracts stand in pyproject.toml."""

from pathlib import Path

import importlinter.cli
import pytest

ROOT = Path(__file__).parents[2]


def test_dependencies_point_one_way(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(ROOT)
    status = importlinter.cli.lint_imports(config_filename="pyproject.toml", no_cache=True, no_logo=True)
    assert status == 0, capsys.readouterr().out
