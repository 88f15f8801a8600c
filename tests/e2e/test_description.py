"""The server keeps to its own description: every route asked with what that allows, and with what it does not."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.core.result import Ok
from sqlalchemy import make_url

from tests.e2e.test_serve_open import PATIENCE, free_port, wait_until_alive

EXAMPLES = {"sqlite": 5, "postgresql": 2}  # the description is the same, and so are the statements
FEWEST_ROUTES = 130
# Every check but one: a record that its schema allows may still break a rule between its columns.
LEFT_OUT = "positive_data_acceptance"


@contextmanager
def served(database_url: str, *, log: IO[bytes] | int = subprocess.DEVNULL) -> Iterator[str]:
    """Serve a migrated database for as long as the context."""
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    arguments = ["--database", database_url, "serve", "--open", "--port", str(port)]
    process = subprocess.Popen([sys.executable, "-m", "service.cli", *arguments], stderr=log)
    try:
        with httpx.Client(base_url=address, timeout=PATIENCE, trust_env=False) as client:
            wait_until_alive(process.poll, client)
        yield address
    finally:
        process.terminate()
        process.wait(PATIENCE)


@pytest.mark.timeout(600)
def test_every_route_answers_as_described(database_url: str) -> None:
    """No answer of 500, no status, type or shape that isn't described; a run is not asked for: it would be computed."""
    load_all_checks()
    checks: Any = CHECKS.get_by_names([name for name in CHECKS.get_all_names() if name != LEFT_OUT])
    with served(database_url) as address:
        schema = schemathesis.openapi.from_url(f"{address}/schema/openapi.json")
        found = schema.exclude(path="/v1/runs", method="POST").get_all_operations()
        operations = [operation.ok() for operation in found if isinstance(operation, Ok)]
        assert len(operations) >= FEWEST_ROUTES
        for operation in operations:

            @settings(
                max_examples=EXAMPLES[make_url(database_url).get_backend_name()],
                deadline=None,
                database=None,
                derandomize=True,
                suppress_health_check=list(HealthCheck),
                phases=[Phase.generate],
            )
            @given(case=operation.as_strategy())
            def ask(case: Any) -> None:
                case.call_and_validate(checks=checks)

            ask()
