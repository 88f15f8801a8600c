"""One result of a run by its codes."""

from models.engine import Engines
from models.queries import results
from service.db import read_session
from service.schemas.results import FailureModelOut, ReorderPointOut, from_row, limit_columns
from service.use_cases.choose_run import choose_run, method_of, notice


def read_failure_model(
    engines: Engines, *, run_id: int | None, service_class: str, maintainable_item: str
) -> FailureModelOut:
    """Find how long an item lasts in a service class.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    service_class, maintainable_item : str
        Codes.

    Returns
    -------
    FailureModelOut
        Its parameters, counts and status.

    Raises
    ------
    NotFound
        If the run has no such model.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        row = results.failure_model(session, run.id, service_class=service_class, maintainable_item=maintainable_item)
        limits = limit_columns(row.details)
        return from_row(FailureModelOut, row, method=run.method, notice=notice(session), **limits)


def read_reorder_point(engines: Engines, *, run_id: int | None, storeroom: str, kit: str) -> ReorderPointOut:
    """Find how low a kit may run in a storeroom.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom, kit : str
        Codes.

    Returns
    -------
    ReorderPointOut
        The level, the quantity and what they achieve.

    Raises
    ------
    NotFound
        If the run has no such reorder point.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        row = results.reorder_point(session, run.id, storeroom=storeroom, kit=kit)
        return from_row(ReorderPointOut, row, method=method_of(run, row.details), notice=notice(session))
