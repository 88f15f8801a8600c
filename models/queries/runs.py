"""The life of a run, from queued to closed, and what it stores; `run_log.py` and `results.py` read that back."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel, select

from models.base import Conflict, NotFound, Session, code_key
from models.queries.run_progress import LEASE
from models.runs import (
    OPEN_STATUSES,
    Run,
    RunChange,
    RunDemand,
    RunFailureModel,
    RunFinding,
    RunNeed,
    RunReorderPoint,
    RunTurnaround,
)
from models.spending import RunSpend

RESULT_TABLES: dict[str, type[SQLModel]] = {
    "failure_models": RunFailureModel,
    "demand": RunDemand,
    "reorder_points": RunReorderPoint,
    "needs": RunNeed,
    "findings": RunFinding,
    "spend": RunSpend,
    "turnarounds": RunTurnaround,
}


PRESET: dict[str, object] = {"details": {}, "storeroom": "", "service_class": ""}
"""What an absent column holds that can't be null."""


class AnotherRunIsOpen(Conflict):
    """One run is queued or running at a time."""


def create_run(
    session: Session, *, as_of: date, requested_at: datetime, code_version: str, pid: int, host: str | None = None
) -> Run:
    """Queue a run.

    Parameters
    ----------
    session : Session
        A writer's.
    as_of : date
        The data cut-off.
    requested_at : datetime
        When it was asked for.
    code_version : str
        The version of the code that will run.
    pid : int
        The process that will start it; if that dies the run is abandoned.
    host : str or None
        The computer on which `pid` means that process; where it is not known nobody can tell that it died.

    Returns
    -------
    Run
        Queued, with its id.

    Raises
    ------
    AnotherRunIsOpen
        If another run is queued or running.
    """
    run = Run(
        as_of=as_of,
        requested_at=requested_at,
        code_version=code_version,
        host=host,
        pid=pid,
        lease_ends_at=requested_at + LEASE,
    )
    session.add(run)
    try:
        session.flush()
    except IntegrityError as error:
        raise AnotherRunIsOpen("another run is queued or running; wait for it, or cancel it") from error
    return run


def claim_run(session: Session, run_id: int, *, started_at: datetime, pid: int) -> Run:
    """Take a queued run: it is running from here on, in this process.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Which one.
    started_at : datetime
        Now.
    pid : int
        The process that computes it.

    Returns
    -------
    Run
        Running.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is not queued.
    """  # noqa: DOC502 (NotFound comes from _locked)
    run = _locked(session, run_id)
    if run.status != "queued":
        raise Conflict(f"run {run_id} is {run.status}, not queued")
    run.status, run.started_at, run.pid = "running", started_at, pid
    return run


def store_results(session: Session, run_id: int, results: Mapping[str, Sequence[Mapping[str, object]]]) -> None:
    """Store what a run found; call it in the transaction that finishes the run.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Whose results they are.
    results : mapping of str to sequence of mappings
        Rows by the keys of `RESULT_TABLES`, each row by the column names of `models/runs.py` without
        `id`, `run_id` and the `_key` columns. An absent nullable column is stored as null.

    Raises
    ------
    ValueError
        If a row has a column its table lacks.
    """  # noqa: DOC502 (comes from _insert)
    for name, rows in results.items():
        _insert(session, run_id, RESULT_TABLES[name], rows)


def store_changes(session: Session, run_id: int, rows: Sequence[Mapping[str, object]]) -> None:
    """Store what changed since the run before.

    Parameters
    ----------
    session : Session
        The writer's that stores the results.
    run_id : int
        Which run.
    rows : sequence of mappings
        By the column names of RunChange, as for `store_results`.

    Raises
    ------
    ValueError
        If a row has a column the table lacks.
    """  # noqa: DOC502 (comes from _insert)
    _insert(session, run_id, RunChange, rows)


def _insert(session: Session, run_id: int, model: type[SQLModel], rows: Sequence[Mapping[str, object]]) -> None:
    table = model.__table__  # type: ignore[attr-defined]
    empty = {column.name: PRESET.get(column.name) for column in table.columns if column.name != "id"}
    for row in rows:
        unknown = row.keys() - empty.keys()
        if unknown:
            raise ValueError(f"{table.name} has no column {', '.join(sorted(unknown))}")
    if rows:
        session.connection().execute(insert(table), [_complete(row, empty, run_id) for row in rows])


def _complete(row: Mapping[str, object], empty: Mapping[str, object], run_id: int) -> dict[str, object]:
    whole = {**empty, **row, "run_id": run_id}
    compared = {name: f"{name}_key" for name in empty if f"{name}_key" in empty}
    keys = {key: code_key(str(whole[name])) for name, key in compared.items()}
    return {**whole, **keys}


def finish_run(
    session: Session,
    run_id: int,
    *,
    finished_at: datetime,
    input_digest: str,
    horizon_ends_on: date,
    method: str,
    counts: Mapping[str, object],
) -> Run:
    """Close a run with success; its results count from the moment the transaction is committed.

    Parameters
    ----------
    session : Session
        The writer's that stored the results.
    run_id : int
        Which one.
    finished_at : datetime
        Now.
    input_digest : str
        SHA-256, in hexadecimal, of what was read.
    horizon_ends_on : date
        The last day forecast.
    method : str
        How parameters were carried into the forecast.
    counts : mapping
        How many valves, lives, models, kits and lines there were.

    Returns
    -------
    Run
        Finished.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is not running, because it was cancelled meanwhile.
    """  # noqa: DOC502 (NotFound comes from _locked)
    run = _locked(session, run_id)
    if run.status != "running":
        raise Conflict(f"run {run_id} is {run.status}, not running")
    _close(run, "finished", finished_at)
    run.input_digest, run.horizon_ends_on, run.method = input_digest, horizon_ends_on, method
    run.counts = dict(counts)
    return run


def fail_run(session: Session, run_id: int, *, finished_at: datetime, error: str) -> Run:
    """Close a run that ended without an answer; one that is closed already stays as it is.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Which one.
    finished_at : datetime
        Now.
    error : str
        Why, in a sentence for the planner.

    Returns
    -------
    Run
        Closed.

    Raises
    ------
    NotFound
        If there is none with that id.
    """  # noqa: DOC502 (NotFound comes from _locked)
    run = _locked(session, run_id)
    if run.status in OPEN_STATUSES:
        _close(run, "failed", finished_at)
        run.error = error
    return run


def cancel_run(session: Session, run_id: int, *, finished_at: datetime) -> Run:
    """Close a run nobody wants any more.

    Parameters
    ----------
    session : Session
        A writer's.
    run_id : int
        Which one.
    finished_at : datetime
        Now.

    Returns
    -------
    Run
        Cancelled.

    Raises
    ------
    NotFound
        If there is none with that id.
    Conflict
        If it is closed already.
    """  # noqa: DOC502 (NotFound comes from _locked)
    run = _locked(session, run_id)
    if run.status not in OPEN_STATUSES:
        raise Conflict(f"run {run_id} is {run.status} already")
    _close(run, "cancelled", finished_at)
    return run


def _locked(session: Session, run_id: int) -> Run:
    run = session.exec(select(Run).where(Run.id == run_id).with_for_update()).one_or_none()
    if run is None:
        raise NotFound(f"there is no run {run_id}")
    return run


def _close(run: Run, status: str, finished_at: datetime) -> None:
    run.status, run.open_slot, run.finished_at = status, None, finished_at
