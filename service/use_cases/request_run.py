"""Ask for a forecast run, look at it, call it off; a run whose process is gone is closed as failed."""

import os
from collections.abc import Callable
from datetime import date

from msgspec import UNSET, UnsetType

from forecasting.errors import InvalidInput
from models.base import Conflict, Session
from models.engine import Engines
from models.queries import audit, run_log
from models.queries import runs as queries
from models.queries.run_progress import is_lost
from models.runs import OPEN_STATUSES, STAGES, Run
from service.db import read_session, write_session
from service.listings import Listing, Part, cut
from service.schemas.results import Page, from_row
from service.schemas.runs import RunOut
from service.settings import code_version, host_name, now, today
from service.use_cases.choose_run import choose_run, notice
from service.use_cases.list_accuracy import backtest_of

ABANDONED = "The process that computed this run ended before the run did."


def request_run(engines: Engines, *, as_of: date | None) -> int:
    """Queue a run.

    Parameters
    ----------
    engines : Engines
        The database.
    as_of : date or None
        The data cut-off; None is today.

    Returns
    -------
    int
        The id of the run.

    Raises
    ------
    InvalidInput
        If the cut-off lies in the future: nothing can have been recorded up to then.
    Conflict
        If another run is queued or running.
    """  # noqa: DOC502 (Conflict comes from the query)
    if as_of is not None and as_of > today():
        raise InvalidInput(f"as_of is {as_of}; expected today, {today()}, or a day before")
    close_abandoned(engines, is_alive=process_is_alive)
    with write_session(engines) as session:
        run = queries.create_run(
            session,
            as_of=as_of or today(),
            requested_at=now(),
            code_version=code_version(),
            pid=os.getpid(),
            host=host_name(),
        )
        audit.note(session, "request run", {"run": run.id, "as_of": run.as_of})
        return run.id


def expect_queued(engines: Engines, run_id: int) -> None:
    """Make sure that a run is still to be computed, before its end becomes this process's affair.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which one.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is not queued.
    """  # noqa: DOC502 (NotFound comes from the query)
    with read_session(engines) as session:
        run = run_log.get_run(session, run_id)
    if run.status != "queued":
        raise Conflict(f"run {run_id} is {run.status}, not queued")


def read_run(engines: Engines, run_id: int) -> RunOut:
    """Look at a run.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which one.

    Returns
    -------
    RunOut
        As it is now.

    Raises
    ------
    NotFound
        If there is none with that id.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        return _out(session, run_log.get_run(session, run_id))


def read_latest_run(engines: Engines) -> RunOut:
    """Look at the run whose results count now.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    RunOut
        The last finished one.

    Raises
    ------
    InsufficientData
        If no run has finished.
    """  # noqa: DOC502 (comes from choose_run)
    with read_session(engines) as session:
        return _out(session, choose_run(session, None))


def _out(session: Session, run: Run) -> RunOut:
    said = {"last_backtest": backtest_of(session, run), "notice": notice(session)}
    return from_row(RunOut, run, **said, progress=_progress(run))


def _progress(run: Run) -> float | UnsetType:
    if run.status not in OPEN_STATUSES:
        return UNSET
    return STAGES.index(run.stage) / len(STAGES) if run.stage in STAGES else 0.0


def list_runs(engines: Engines) -> Listing[RunOut]:
    """List the runs, the newest first.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    Listing
        One row per run.
    """

    def read(before: int, limit: int) -> Part[RunOut]:
        with read_session(engines) as session:
            stored = run_log.list_runs(session, before=before or None, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda run: from_row(RunOut, run))

    with read_session(engines) as session:
        return Listing(shape=RunOut, read=read, top=Page[RunOut](value=(), notice=notice(session)))


def cancel_run(engines: Engines, run_id: int) -> RunOut:
    """Call a run off; what it computed is not stored.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which one.

    Returns
    -------
    RunOut
        Cancelled.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is closed already.
    """  # noqa: DOC502 (both come from the query)
    with write_session(engines) as session:
        run = queries.cancel_run(session, run_id, finished_at=now())
        audit.note(session, "cancel run", {"run": run_id})
        return from_row(RunOut, run, notice=notice(session))


def close_run(engines: Engines, run_id: int, *, error: str) -> None:
    """Close a run whose process has ended, if the process did not.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int
        Which one.
    error : str
        Why it has no results, should it still be open.
    """
    with write_session(engines) as session:
        queries.fail_run(session, run_id, finished_at=now(), error=error)


def close_abandoned(engines: Engines, *, is_alive: Callable[[int], bool]) -> None:
    """Close the open run if its process is gone: on this computer, or not heard of for too long on another.

    Parameters
    ----------
    engines : Engines
        The database.
    is_alive : callable
        Says of a process id whether its process runs.
    """
    with read_session(engines) as session:
        run = run_log.open_run(session)
    if run is None:
        return
    is_dead = run.host == host_name() and run.pid is not None and not is_alive(run.pid)
    if is_dead or is_lost(run, at=now()):
        close_run(engines, run.id, error=ABANDONED)


def process_is_alive(pid: int) -> bool:
    """Say whether a process of this computer runs.

    Parameters
    ----------
    pid : int
        Its id.

    Returns
    -------
    bool
        True also if it belongs to another user.
    """
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def is_another_process(pid: int) -> bool:
    """Say whether a process other than this one runs.

    A process that has just started computes no run; in a container it may have the id of its predecessor.

    Parameters
    ----------
    pid : int
        Its id.

    Returns
    -------
    bool
        False for this process.
    """
    return pid != os.getpid() and process_is_alive(pid)
