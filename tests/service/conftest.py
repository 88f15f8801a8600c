"""A server in this process, on a real database, and a small run whose results are known to the last digit."""

import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from models.engine import Engines, migrate, open_engines
from models.queries import runs
from service.app import guarded, routed
from service.db import write_session
from service.settings import Settings, now
from tests.database_copies import DATABASES, copied, execute
from tests.service.findings_plant import forecast_once
from tests.service.test_run_forecast import bring_in, computed
from tests.service.turnaround_record import TURNAROUND_FILES, WET_FILES

HERE = "http://127.0.0.1:8000"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
AS_OF = date(2026, 3, 1)

Client = TestClient[Any]


ROUTED: dict[Settings, list[Litestar]] = {}
"""Routes that no server uses now: putting them together takes longer than most tests."""


@contextmanager
def connected(settings: Settings) -> Iterator[Client]:
    """Connect to a server with these settings, running as long as the context."""
    idle = ROUTED.setdefault(replace(settings, database_url=""), [])
    app = idle.pop() if idle else routed(settings)
    app.state.database_url = settings.database_url
    with TestClient(guarded(app, settings), base_url=HERE) as client:
        yield client
    idle.append(app)


@pytest.fixture
def connect() -> Callable[[Settings], AbstractContextManager[Client]]:
    """Give what connects to a server with settings of the test's own."""
    return connected


@pytest.fixture
def client(database_url: str) -> Iterator[Client]:
    """Connect to the open server on a migrated database of each kind."""
    with connected(Settings(database_url=database_url, access="open")) as client:
        yield client


@pytest.fixture
def sqlite_client(sqlite_url: str) -> Iterator[Client]:
    """Connect to the open server on a migrated SQLite database."""
    with connected(Settings(database_url=sqlite_url, access="open")) as client:
        yield client


@pytest.fixture(scope="session")
def sqlite_plant(migrated_file: Path) -> Iterator[str]:
    """Forecast the plant of the findings once, in a file that is only copied from then on."""
    with copied(f"sqlite:///{migrated_file}") as url:
        forecast_once(url)
        yield url


@pytest.fixture(scope="session")
def planned_file(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a database, only read or copied, with a finished run of the small plant that has turnarounds to come."""
    return forecast_file(TURNAROUND_FILES, migrated_file, tmp_path_factory.mktemp("turnarounds"))


@pytest.fixture(scope="session")
def wet_file(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give another, of a still smaller one."""
    return forecast_file(WET_FILES, migrated_file, tmp_path_factory.mktemp("wet"))


def forecast_file(files: dict[str, list[str]], migrated_file: Path, folder: Path) -> Path:
    """Make a database with a finished run of a plant."""
    path = folder / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, files)
    computed(engines)
    engines.reader.dispose()
    return path


@pytest.fixture(scope="session")
def postgresql_plant(postgresql_server: str) -> str:
    """Forecast the plant of the findings once, in a database that is only copied from then on."""
    execute(f"{postgresql_server}postgres", "CREATE DATABASE findings_plant")
    migrate(f"{postgresql_server}findings_plant")
    forecast_once(f"{postgresql_server}findings_plant")
    return f"{postgresql_server}findings_plant"


@pytest.fixture(params=DATABASES)
def plant_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """Give a copy of the plant of the findings, forecast once, in a database of each kind."""
    with copied(request.getfixturevalue(f"{request.param}_plant")) as url:
        yield url


FAILURE_MODELS = [
    {
        "service_class": "wet CO2",
        "maintainable_item": "trim",
        "family": "weibull",
        "scale_days": 1234.56789,
        "shape": 1.7,
        "mle_scale_days": 1234.56789,
        "mle_shape": 1.7,
        "failures": 21,
        "lives": 60,
        "mean_days": 1101.5,
        "b10_days": 328.6,
        "pool_share": 0.0,
        "status": "fitted",
    },
    {
        "service_class": "clean steam",
        "maintainable_item": "trim",
        "failures": 0,
        "lives": 4,
        "status": "not fitted",
        "reason": "0 failures in 9.3 valve-years",
    },
]
DEMAND = [
    {
        "area": area,
        "kit": "K-1",
        "bucket": bucket,
        "starts_on": date(2026, 3, 1),
        "ends_on": ends_on,
        "mean": mean,
        "p10": 0,
        "p50": 1,
        "p80": 2,
        "p90": 3,
        "p95": 3,
        "unplanned_mean": mean,
        "planned_mean": 0.0,
        "turnaround_mean": 0.0,
        "status": "computed",
        "probabilities": [0.5, 1 / 3, 1 / 6],
    }
    for area, bucket, ends_on, mean in (
        ("", "month", date(2026, 3, 31), 2 / 3),
        ("U100", "month", date(2026, 3, 31), 1 / 3),
        ("", "year", date(2027, 2, 28), 8.0),
    )
]
REORDER_POINTS = [
    {
        "storeroom": "MAIN",
        "kit": "K-1",
        "reorder_point": 3,
        "order_quantity": 4,
        "protection_interval_days": 63.0,
        "target": 0.95,
        "cycle_service_level": 0.9612345678,
        "fill_rate": 0.99,
        "present_reorder_point": 2,
        "rule": "cycle_service_level",
        "position": 2,
        "proposed_quantity": 4,
        "order_by": date(2026, 4, 1),
        "unit_cost": Decimal("1200.50"),
        "cost": Decimal("4802.00"),
        "reason": "position 2 is at or below reorder point 3",
        "status": "computed",
        "details": {
            "lead_time_days": 56,
            "review_period_days": 7,
            "demand_mean": 1.3333333333,
            "target_source": "consequence of the valves served",
            "consequence": "curtails",
            "on_hand": 3,
            "reserved": 1,
            "on_order_counted": 0,
            "on_order_late": 0,
            "overdue_qty": 0,
            "simple_bound_reorder_point": 4,
            "floor_qty": 0,
            "lead_time_over_history": 1 / 70,
            "warnings": ["few failures"],
        },
    },
    {
        "storeroom": "MAIN",
        "kit": "K/2",
        "reorder_point": 1,
        "order_quantity": 1,
        "target": 0.9,
        "cycle_service_level": 0.93,
        "rule": "cycle_service_level",
        "position": 0,
        "proposed_quantity": 1,
        "order_by": date(2026, 2, 1),
        "reason": "=late; was to be ordered a month ago",
        "status": "computed",
        "details": {},
    },
    {
        "storeroom": "MAIN",
        "kit": "K-3",
        "reorder_point": 1,
        "order_quantity": 1,
        "position": 5,
        "proposed_quantity": 0,
        "reason": "an order of 2 is overdue",
        "status": "computed",
        "details": {
            "overdue_qty": 2,
            "demand_mean": 0.2,
            "on_hand": 4,
            "expired": 1,
            "expiring": 1,
            "unfilled": 0,
            "reserved": 1,
            "on_order_counted": 2,
            "on_order_late": 3,
            "accepted_qty": 2,
            "stock_out_on": "2027-03-04",
            "elsewhere": {"NORTH": 2, "SOUTH": 1},
        },
    },
    {
        "storeroom": "MAIN",
        "kit": "K-4",
        "position": 5,
        "proposed_quantity": 0,
        "reason": "its lead time is not known",
        "status": "unknown",
    },
]
NEEDS = [
    {
        "storeroom": "MAIN",
        "kit": "K-1",
        "tag": tag,
        "maintainable_item": "trim",
        "service_class": "wet CO2",
        "age_days": age,
        "policy": "corrective",
        "p_30": 0.01,
        "p_90": 0.1,
        "p_365": 0.4,
        "mean_protection": mean,
        "mean_365": 0.45,
    }
    for tag, age, mean in (("FV-102", 100.0, 0.333333), ("FV-101A/B", 900.0, 1.0))
]
FINDINGS = [
    {
        "kind": "scope assumed",
        "file": "events.csv",
        "record_key": "E-17",
        "detail": "what was renewed is not said",
        "treatment": "every item counts as renewed",
        "effect": "lives end earlier than they may have",
    },
    {"kind": "dated in the future", "detail": "one event", "treatment": "left out"},
]
RESULTS: Mapping[str, Sequence[Mapping[str, object]]] = {
    "failure_models": FAILURE_MODELS,
    "demand": DEMAND,
    "reorder_points": REORDER_POINTS,
    "needs": NEEDS,
    "findings": FINDINGS,
}


@pytest.fixture
def finish_run() -> Callable[[Engines], int]:
    """Give what stores the known results as those of a new, finished run."""
    return _finish_run


def _finish_run(engines: Engines) -> int:
    with write_session(engines) as session:
        run = runs.create_run(session, as_of=AS_OF, requested_at=NOON, code_version="0.1.0", pid=1)
        runs.claim_run(session, run.id, started_at=NOON, pid=2)
        runs.store_results(session, run.id, RESULTS)
        runs.finish_run(
            session,
            run.id,
            finished_at=now(),
            input_digest="0" * 64,
            horizon_ends_on=date(2028, 2, 29),
            method="plug-in",
            counts={"valves": 2, "kits": 4},
        )
        return run.id
