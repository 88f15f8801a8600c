"""House rules that a linter does not know."""

import ast
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import forecasting
from forecasting.errors import ForecastingError
from models.base import StorageError
from service.problems import STATUS_OF

ROOT = Path(__file__).parents[2]
SOURCES = sorted(
    path for package in ("forecasting", "models", "service", "seed_demo") for path in (ROOT / package).rglob("*.py")
)
SIZED = [path for path in SOURCES if "migrations" not in path.parts]
LONGEST_FUNCTION = 40
LONGEST_FILE = 300
Function = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def nodes(path: Path) -> Iterator[ast.AST]:
    return ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def docstring_lines(node: ast.AST) -> int:
    """Count the lines of the docstring of a module, class or function."""
    if isinstance(node, ast.Module | ast.ClassDef | Function) and ast.get_docstring(node) is not None:
        return (node.body[0].end_lineno or 0) - node.body[0].lineno + 1
    return 0


def test_only_sessions_commit() -> None:
    commits = {
        name_of(path)
        for path in SOURCES
        for node in nodes(path)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "commit"
    }
    assert commits == {"service/db.py"}


@pytest.mark.parametrize("path", SIZED, ids=name_of)
def test_functions_fit_on_a_screen(path: Path) -> None:
    lengths = {
        node.name: (node.end_lineno or 0) - node.lineno + 1 - docstring_lines(node)
        for node in nodes(path)
        if isinstance(node, Function)
    }
    assert {name: length for name, length in lengths.items() if length > LONGEST_FUNCTION} == {}


@pytest.mark.parametrize("path", SIZED, ids=name_of)
def test_files_are_read_in_one_sitting(path: Path) -> None:
    documented = sum(docstring_lines(node) for node in nodes(path))
    assert len(path.read_text(encoding="utf-8").splitlines()) - documented <= LONGEST_FILE


def test_no_module_is_a_drawer() -> None:
    assert {path.stem for path in SOURCES} & {"utils", "helpers", "common", "misc"} == set()


def test_tables_are_declared_with_annotations_that_exist() -> None:
    """Postponed annotations break relationships between tables."""
    postponed = [name_of(path) for path in SOURCES if "from __future__" in path.read_text(encoding="utf-8")]
    assert [name for name in postponed if name.startswith("models/")] == []


def subclasses(error: type[Exception]) -> set[type[Exception]]:
    below = set(error.__subclasses__())
    return below.union(*(subclasses(child) for child in below))


def test_every_error_of_ours_has_a_status() -> None:
    ours = subclasses(ForecastingError) | subclasses(StorageError)
    assert {error.__name__ for error in ours - STATUS_OF.keys()} == set()


def forecasting_modules() -> list[ModuleType]:
    return [
        importlib.import_module(f"forecasting.{module.name}") for module in pkgutil.iter_modules(forecasting.__path__)
    ]


def public_functions() -> list[Callable[..., Any]]:
    return [
        member
        for module in forecasting_modules()
        for name in getattr(module, "__all__", ())
        if inspect.isfunction(member := getattr(module, name))
    ]


def test_there_are_public_functions_to_look_at() -> None:
    assert {"lives_from_histories", "fit_weibull", "kit_demand"} <= {f.__name__ for f in public_functions()}


@pytest.mark.parametrize("function", public_functions(), ids=lambda function: function.__qualname__)
def test_numerics_say_units_source_and_example(function: Callable[..., Any]) -> None:
    text = inspect.getdoc(function) or ""
    sections = dict(re.findall(r"^(\w+)\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", text, re.MULTILINE | re.DOTALL))
    assert {"Parameters", "Returns", "References", "Examples"} <= sections.keys()
    parameters = re.findall(r"^(\S.*? : .*)$", sections["Parameters"], re.MULTILINE)
    named = [name for line in parameters for name in line.split(" : ")[0].split(", ")]
    assert named == list(inspect.signature(function).parameters)
    assert [line for line in parameters if not re.search(r"\[[^\]]+\]$", line)] == []
