"""A plant with a duplicate, a tag written badly, an event before the installation and rows without a tag."""

from collections.abc import Mapping
from datetime import date
from io import BytesIO
from typing import Any

from litestar.testing import TestClient

from forecasting.lives import lives_from_histories
from models.engine import Engines, open_engines
from service.closings import read_history
from service.db import read_session
from service.schemas.records import AreaRecord
from service.translate import Records, register_from_records
from service.use_cases.import_files import ImportReport, import_files
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import run_forecast

Client = TestClient[Any]
AS_OF = date(2026, 3, 1)
VALVES = "tag,design,service_class,area,installed_on\nFV-101,D,wet,U1,2020-01-01\nFV-102,D,wet,U1,2020-01-01\n"
AREAS = "code,records_begin_on\nU1,2020-01-01\n"
UNTAGGED = ",,2024-05-01,rebuild,,,12.5,repacked fv101 again\n"
EVENTS = (
    "ref,tag,done_on,action,reason,last_ok_on,cost,note\n"
    "A,FV-101,2021-01-01,rebuild,failure,,,\n"
    "B,FV-101,2021-01-05,rebuild,,,,\n"
    "C,FV-102,2022-01-01,rebuild,failure,,,\n"
    "D,fv 0101,2023-01-01,rebuild,failure,,,\n"
    "E,FV-102,2019-06-01,rebuild,failure,,,\n"
    f"{UNTAGGED}{UNTAGGED}"
)
INF = float("inf")
# From 2020-01-01: 366 days to 2021-01-01, 731 to 2022-01-01. To the cut-off 2026-03-01: 1881 from 2021-01-05,
# 1885 from 2021-01-01, 1520 from 2022-01-01.
BOTH = [(4.0, 4.0), (366.0, 366.0), (731.0, 731.0), (1520.0, INF), (1881.0, INF)]
ONE = [(366.0, 366.0), (731.0, 731.0), (1520.0, INF), (1885.0, INF)]
# 726 days from 2021-01-05 to 2023-01-01, 1155 from there to the cut-off.
TAG_MERGED = [*BOTH[:2], (726.0, 726.0), (731.0, 731.0), (1155.0, INF), (1520.0, INF)]


def bring_in(engines: Engines, **files: str) -> ImportReport:
    """Import files given as text."""
    return import_files(engines, {f"{name}.csv": BytesIO(text.encode()) for name, text in files.items()}, today=AS_OF)


def run(engines: Engines) -> None:
    """Forecast, in this process."""
    run_forecast(engines, run_id=request_run(engines, as_of=AS_OF))


def forecast_once(url: str) -> None:
    """Bring the plant in and forecast it."""
    engines = open_engines(url)
    bring_in(engines, areas=AREAS, valves=VALVES, events=EVENTS)
    run(engines)
    engines.reader.dispose()


def ends(engines: Engines) -> dict[str, list[tuple[float, float]]]:
    """Lower and upper age of the lives of each service class, as a forecast would read them now."""
    with read_session(engines) as session:
        history = read_history(session)
    records = Records(
        valves=history.valves,
        events=[event.record for event in history.events],
        areas=[AreaRecord(code="U1", records_begin_on=date(2020, 1, 1))],
    )
    read = register_from_records(records, as_of=AS_OF)
    lives = lives_from_histories(read.histories, as_of=AS_OF.toordinal()).lives
    found: dict[str, list[tuple[float, float]]] = {}
    for sample, lower, upper in zip(lives.sample.tolist(), lives.lower.tolist(), lives.upper.tolist(), strict=True):
        found.setdefault(lives.samples[sample][0], []).append((lower, upper))
    return {name: sorted(told) for name, told in found.items()}


def listed(client: Client, **asked: object) -> list[dict[str, Any]]:
    """List findings of the latest run."""
    query = "&".join(f"{name}={str(value).lower()}" for name, value in asked.items())
    found: list[dict[str, Any]] = client.get(f"/v1/data-findings?{query}").json()["value"]
    return found


def the(client: Client, kind: str, **asked: object) -> dict[str, Any]:
    """Give the one finding of its kind."""
    (finding,) = listed(client, kind=kind, **asked)
    return finding


def close(client: Client, finding: Mapping[str, Any], decision: str, **more: str) -> Any:
    """Ask for a finding to be closed."""
    body = {"decision": decision, "reason": "seen in the log book", **more}
    return client.post(f"/v1/data-findings/{finding['id']}/close", json=body)
