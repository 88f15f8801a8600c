"""Take what a run proposes for a kit in a storeroom, or other numbers; by a named holder, with a reason."""

from datetime import datetime

from msgspec import UNSET, UnsetType, structs

from models.acceptances import Acceptance
from models.base import Conflict, Session
from models.engine import Engines
from models.queries import acceptances, audit, results
from models.runs import Run, RunReorderPoint
from service.actors import acting
from service.db import read_session, write_session
from service.listings import Listing, Part, cut
from service.schemas.acceptances import AcceptanceOut, AcceptRequest
from service.schemas.results import Page, from_row
from service.settings import now
from service.use_cases.choose_run import choose_run, notice, read_notice


def accept_proposal(
    engines: Engines,
    asked: AcceptRequest,
    *,
    run_id: int | None,
    storeroom: str,
    kit: str,
    at: datetime | None = None,
) -> AcceptanceOut:
    """Record what was taken of a proposal. No order is placed.

    Parameters
    ----------
    engines : Engines
        The database.
    asked : AcceptRequest
        What is taken, and why.
    run_id : int or None
        The run that proposed it; None is the latest finished. No other can be accepted: it has read what was taken
        of those before.
    storeroom, kit : str
        Codes.
    at : datetime or None
        When; None is now.

    Returns
    -------
    AcceptanceOut
        As it was recorded.

    Raises
    ------
    NotFound
        If the run has no such reorder point.
    Conflict
        If a later run has finished, or there is no proposal.
    """  # noqa: DOC502 (NotFound comes from the query)
    with write_session(engines) as session:
        run = latest_run(session, run_id)
        row = results.reorder_point(session, run.id, storeroom=storeroom, kit=kit)
        acceptance = acceptances.store_acceptance(session, _acceptance(session, run, row, asked, at or now()))
        audit.note(session, "accept proposal", {"acceptance": acceptance.id, "run": run.id, **_subject(row, asked)})
        return shape_acceptance(acceptance, said=notice(session))


def list_acceptances(engines: Engines, *, storeroom: str | None, kit: str | None) -> Listing[AcceptanceOut]:
    """List what was taken of all runs.

    Parameters
    ----------
    engines : Engines
        The database.
    storeroom, kit : str or None
        Only those of this storeroom, of this kit.

    Returns
    -------
    Listing
        The first first; nothing is ever left out.
    """

    def read(after: int, limit: int) -> Part[AcceptanceOut]:
        with read_session(engines) as session:
            stored = acceptances.list_acceptances(session, storeroom=storeroom, kit=kit, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=shape_acceptance)

    top = Page[AcceptanceOut](value=(), notice=read_notice(engines))
    return Listing(shape=AcceptanceOut, read=read, top=top)


def shape_acceptance(acceptance: Acceptance, *, said: str | UnsetType = UNSET) -> AcceptanceOut:
    """Shape what was taken for the way out.

    Parameters
    ----------
    acceptance : Acceptance
        As it is stored.
    said : str or UNSET
        What is said beside it.

    Returns
    -------
    AcceptanceOut
        With the cost of the quantity taken.
    """
    price, quantity = acceptance.unit_cost, acceptance.quantity
    cost = None if price is None or quantity is None else price * quantity
    return from_row(AcceptanceOut, acceptance, run=acceptance.run_id, cost=cost, notice=said)


def latest_run(session: Session, run_id: int | None) -> Run:
    """Choose the run whose proposals can be accepted.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    run_id : int or None
        The run that was looked at; None: whichever is the latest.

    Returns
    -------
    Run
        The latest finished.

    Raises
    ------
    Conflict
        If another has finished since.
    """
    latest = choose_run(session, None)
    if run_id is not None and run_id != latest.id:
        asked = choose_run(session, run_id)
        raise Conflict(f"run {asked.id} isn't the latest: look at what run {latest.id} proposes, and accept that")
    return latest


def _acceptance(session: Session, run: Run, row: RunReorderPoint, asked: AcceptRequest, at: datetime) -> Acceptance:
    if row.reorder_point is None or row.proposed_quantity is None:
        raise Conflict(f"nothing is proposed for kit {row.kit} in storeroom {row.storeroom}: {row.reason}")
    return Acceptance(
        run_id=run.id,
        as_of=run.as_of,
        storeroom=row.storeroom,
        kit=row.kit,
        **structs.asdict(asked),
        holder=acting.get().holder,
        accepted_at=at,
        proposed_reorder_point=row.reorder_point,
        proposed_quantity=row.proposed_quantity,
        position=row.position,
        present_reorder_point=row.present_reorder_point,
        stated_reorder_point=acceptances.level_stated(session, storeroom=row.storeroom, kit=row.kit),
        unit_cost=row.unit_cost,
        known_orders=[list(known) for known in acceptances.orders_known(session, storeroom=row.storeroom, kit=row.kit)],
    )


def _subject(row: RunReorderPoint, asked: AcceptRequest) -> dict[str, object]:
    return {"storeroom": row.storeroom, "kit": row.kit, **structs.asdict(asked)}
