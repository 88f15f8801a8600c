"""How the forecast stands, for those who watch over the service."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from models.engine import Engines
from models.queries import run_log, watching
from service.db import read_session
from service.settings import now
from service.use_cases.choose_run import is_stale


@dataclass(frozen=True, kw_only=True)
class Watched:
    """What there is to watch; counts are by status, stage or kind."""

    last_good_run_at: datetime | None
    last_good_run_age_seconds: float | None
    stale: bool
    stage_seconds: Mapping[str, float]
    findings: Mapping[str, int]
    runs: Mapping[str, int]
    jobs: Mapping[str, int]


def watch_forecast(engines: Engines) -> Watched:
    """Read how the forecast stands.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    Watched
        Now.
    """
    with read_session(engines) as session:
        run, at = run_log.latest_finished(session), now()
        finished_at = None if run is None else run.finished_at
        return Watched(
            last_good_run_at=finished_at,
            last_good_run_age_seconds=None if finished_at is None else (at - finished_at).total_seconds(),
            stale=is_stale(run, at=at),
            stage_seconds={} if run is None else run.stage_seconds or {},
            findings={} if run is None else watching.count_findings(session, run.id),
            runs=watching.count_runs(session),
            jobs=watching.count_jobs(session),
        )
