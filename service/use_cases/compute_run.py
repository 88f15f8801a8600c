"""Compute a queued run in this process, saying meanwhile that it lives; it is closed afterwards, whatever happened."""

from collections.abc import Callable
from contextlib import suppress

import structlog
from structlog.contextvars import bound_contextvars

from models.base import Busy, Conflict
from models.engine import Engines
from models.queries.run_progress import enter_stage, renew_run
from service.db import lease_session, write_session
from service.heartbeats import beating, go_on
from service.schemas.runs import RunOut
from service.settings import now
from service.use_cases import request_run

INTERRUPTED = "The forecast was interrupted."


def _unwatched(_: str | None) -> None:
    """Nobody asks what stages cost."""


def compute_run(
    engines: Engines,
    run_id: int,
    *,
    watch: Callable[[str | None], None] = _unwatched,
    cancelled: Callable[[], None] = go_on,
) -> RunOut:
    """Compute a queued run.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which one.
    watch : callable
        Told which stage begins; None: it is over.
    cancelled : callable
        Called, in a thread of its own, once the run is seen to be cancelled, or given up for lost, by another process.

    Returns
    -------
    RunOut
        Closed: finished, failed, or cancelled meanwhile.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is not queued.
    """  # noqa: DOC502 (both come from expect_queued)
    # the server never imports the numerics: they are loaded here, in the process that computes
    from service.use_cases.run_forecast import run_forecast

    request_run.expect_queued(engines, run_id)
    with bound_contextvars(run_id=run_id):
        try:
            with beating(lambda: _renew(engines, run_id), lost=cancelled):
                run_forecast(engines, run_id=run_id, enter=lambda stage: _enter(engines, run_id, stage, watch))
        except Exception:
            # the run says so too, and is what the caller is told about
            structlog.get_logger().exception("the forecast failed")
        finally:
            request_run.close_run(engines, run_id, error=INTERRUPTED)
            _enter(engines, run_id, None, watch)
    return request_run.read_run(engines, run_id)


def _renew(engines: Engines, run_id: int) -> None:
    try:
        with lease_session(engines) as session:
            renew_run(session, run_id, at=now())
    except Conflict:
        # it may have ended as it should, just now
        if request_run.read_run(engines, run_id).status != "finished":
            raise


def _enter(engines: Engines, run_id: int, stage: str | None, watch: Callable[[str | None], None]) -> None:
    watch(stage)
    structlog.get_logger().debug("stage", stage=stage)
    # a run doesn't fail because nobody could be told how far it is
    with suppress(Busy, Conflict), write_session(engines) as session:
        enter_stage(session, run_id, stage, at=now())
