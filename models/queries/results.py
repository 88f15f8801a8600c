"""What finished runs found, read page by page: rows after a cursor, in a fixed order.

Every list takes `after`, the id of the last row already read (0 to begin), and `limit`, the number of rows.
A code filter of None means any code; codes are compared without regard to case.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from sqlalchemy import ColumnElement, bindparam, func
from sqlmodel import col, select

from models.base import NotFound, Session, code_key
from models.runs import RunChange, RunDemand, RunFailureModel, RunNeed, RunReorderPoint

Table = TypeVar("Table", RunChange, RunDemand, RunFailureModel, RunNeed, RunReorderPoint)
# put together once: it is asked for most often, and that takes longer than asking
REORDER_POINT = select(RunReorderPoint).where(
    RunReorderPoint.run_id == bindparam("run_id"),
    RunReorderPoint.storeroom_key == bindparam("storeroom_key"),
    RunReorderPoint.kit_key == bindparam("kit_key"),
)


@dataclass(frozen=True, kw_only=True)
class Whose:
    """Whose demand: of an area, a storeroom or a service class; all are '' for the whole plant."""

    area: str = ""
    storeroom: str = ""
    service_class: str = ""


@dataclass(frozen=True, kw_only=True)
class DemandFilter:
    """Which demand is asked for; periods must lie wholly within the two days."""

    whose: Whose
    bucket: str
    kit: str | None = None
    starts_on: date | None = None
    ends_on: date | None = None


def failure_models(
    session: Session, run_id: int, *, service_class: str | None, after: int, limit: int
) -> Sequence[RunFailureModel]:
    """List the failure-interval models of a run.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    service_class : str or None
        Only those of this class.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunFailureModel
        In the order they were stored.
    """
    wanted = same_code(RunFailureModel.service_class_key, service_class)
    return _page(session, RunFailureModel, run_id, wanted, after=after, limit=limit)


def failure_model(session: Session, run_id: int, *, service_class: str, maintainable_item: str) -> RunFailureModel:
    """Find the failure-interval model of an item in a service class.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose result.
    service_class, maintainable_item : str
        Codes.

    Returns
    -------
    RunFailureModel
        The only one.

    Raises
    ------
    NotFound
        If the run has none for them.
    """
    wanted = [
        *same_code(RunFailureModel.service_class_key, service_class),
        *same_code(RunFailureModel.maintainable_item_key, maintainable_item),
    ]
    found = _page(session, RunFailureModel, run_id, wanted, after=0, limit=1)
    if not found:
        raise NotFound(f"run {run_id} has no failure model for {service_class}, {maintainable_item}")
    return found[0]


def demand(session: Session, run_id: int, wanted: DemandFilter, *, after: int, limit: int) -> Sequence[RunDemand]:
    """List the demand a run forecasts.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    wanted : DemandFilter
        Which kits, where and when.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunDemand
        In the order they were stored.
    """
    conditions = [
        *_of(wanted.whose),
        *same_code(RunDemand.kit_key, wanted.kit),
        col(RunDemand.bucket) == wanted.bucket,
    ]
    if wanted.starts_on is not None:
        conditions.append(col(RunDemand.starts_on) >= wanted.starts_on)
    if wanted.ends_on is not None:
        conditions.append(col(RunDemand.ends_on) <= wanted.ends_on)
    return _page(session, RunDemand, run_id, conditions, after=after, limit=limit)


def demand_of_days(
    session: Session, run_id: int, whose: Whose, *, kit: str, starts_on: date, ends_on: date
) -> RunDemand | None:
    """Find the demand stored for exactly these days.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose result.
    whose : Whose
        Of which part of the plant.
    kit : str
        Its code.
    starts_on, ends_on : date
        Both inclusive.

    Returns
    -------
    RunDemand or None
        Of whatever bucket; None: the run stored none.

    Raises
    ------
    NotFound
        If the run forecasts no such kit there.
    """
    of_kit = [*_of(whose), *same_code(RunDemand.kit_key, kit)]
    days = [col(RunDemand.starts_on) == starts_on, col(RunDemand.ends_on) == ends_on]
    # of a protection interval the stock question's valves, not all of the storeroom's, are counted
    days.append(col(RunDemand.bucket) != "protection_interval")
    found = _page(session, RunDemand, run_id, [*of_kit, *days], after=0, limit=1)
    if not found and not _page(session, RunDemand, run_id, of_kit, after=0, limit=1):
        raise NotFound(f"run {run_id} forecasts no demand for kit {kit} there")
    return found[0] if found else None


def _of(whose: Whose) -> list[ColumnElement[bool]]:
    return [
        *same_code(RunDemand.area_key, whose.area),
        *same_code(RunDemand.storeroom_key, whose.storeroom),
        *same_code(RunDemand.service_class_key, whose.service_class),
    ]


def changes(
    session: Session, run_id: int, *, storeroom: str | None, kit: str | None, after: int, limit: int
) -> Sequence[RunChange]:
    """List what changed since the run before.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    storeroom, kit : str or None
        Only those of this storeroom ('': the whole plant), of this kit.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunChange
        In the order they were stored.
    """
    wanted = [*same_code(RunChange.storeroom_key, storeroom), *same_code(RunChange.kit_key, kit)]
    return _page(session, RunChange, run_id, wanted, after=after, limit=limit)


def reorder_points(
    session: Session, run_id: int, *, storeroom: str | None, kit: str | None, after: int, limit: int
) -> Sequence[RunReorderPoint]:
    """List the reorder points of a run.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    storeroom, kit : str or None
        Only those of this storeroom, of this kit.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunReorderPoint
        In the order they were stored.
    """
    wanted = [*same_code(RunReorderPoint.storeroom_key, storeroom), *same_code(RunReorderPoint.kit_key, kit)]
    return _page(session, RunReorderPoint, run_id, wanted, after=after, limit=limit)


def reorder_point(session: Session, run_id: int, *, storeroom: str, kit: str) -> RunReorderPoint:
    """Find the reorder point of a kit in a storeroom.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose result.
    storeroom, kit : str
        Codes.

    Returns
    -------
    RunReorderPoint
        The only one.

    Raises
    ------
    NotFound
        If the run has none for them.
    """
    asked = {"run_id": run_id, "storeroom_key": code_key(storeroom), "kit_key": code_key(kit)}
    found = session.scalars(REORDER_POINT, asked).one_or_none()
    if found is None:
        raise NotFound(f"run {run_id} has no reorder point for kit {kit} in storeroom {storeroom}")
    return found


def needs_of_valve(session: Session, run_id: int, *, tag: str, after: int, limit: int) -> Sequence[RunNeed]:
    """List the kits a valve may need.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    tag : str
        The valve's.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of RunNeed
        In the order they were stored.
    """
    return _page(session, RunNeed, run_id, same_code(RunNeed.tag_key, tag), after=after, limit=limit)


def needs_of_kit(session: Session, run_id: int, *, storeroom: str, kit: str) -> Sequence[RunNeed]:
    """List the valves that may take a kit from a storeroom.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose results.
    storeroom, kit : str
        Codes.

    Returns
    -------
    sequence of RunNeed
        Those expected to take most within the protection interval first.
    """
    most_first = func.coalesce(col(RunNeed.mean_protection), 0.0).desc()
    wanted = (
        select(RunNeed)
        .where(RunNeed.run_id == run_id, *same_code(RunNeed.storeroom_key, storeroom), *same_code(RunNeed.kit_key, kit))
        .order_by(most_first, col(RunNeed.tag_key), col(RunNeed.id))
    )
    return session.exec(wanted).all()


def same_code(key: str, code: str | None) -> list[ColumnElement[bool]]:
    """Compare a key column with a code.

    Parameters
    ----------
    key : column
        A `_key` column of a result table.
    code : str or None
        What is asked for.

    Returns
    -------
    list of conditions
        One, or none if any code will do.
    """
    return [] if code is None else [col(key) == code_key(code)]


def _page(
    session: Session,
    table: type[Table],
    run_id: int,
    conditions: Sequence[ColumnElement[bool]],
    *,
    after: int,
    limit: int,
) -> Sequence[Table]:
    wanted = (
        select(table).where(table.run_id == run_id, table.id > after, *conditions).order_by(col(table.id)).limit(limit)
    )
    return session.exec(wanted).all()
