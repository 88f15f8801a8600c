"""Take what the plan of a turnaround wants ordered of a kit, or another number; by a named holder, with a reason."""

from datetime import datetime

from msgspec import structs

from forecasting.errors import InvalidInput
from models.acceptances import Acceptance
from models.base import Conflict, NotFound, Session, code_key
from models.engine import Engines
from models.queries import acceptances, audit
from models.runs import Run
from service.actors import acting
from service.db import write_session
from service.schemas.acceptances import AcceptanceOut, AcceptKitRequest
from service.schemas.turnarounds import TurnaroundKitOut
from service.settings import now
from service.translate_turnaround_lines import storerooms_of
from service.use_cases.accept_proposal import latest_run, shape_acceptance
from service.use_cases.choose_run import notice
from service.use_cases.read_turnaround import stored


def accept_turnaround_kit(
    engines: Engines,
    asked: AcceptKitRequest,
    *,
    run_id: int | None,
    turnaround: str,
    kit: str,
    at: datetime | None = None,
) -> AcceptanceOut:
    """Record how many kits will be ordered for a turnaround. No order is placed.

    Parameters
    ----------
    engines : Engines
        The database.
    asked : AcceptKitRequest
        How many, for which storeroom, and why.
    run_id : int or None
        The run that planned it; None is the latest finished. No other can be accepted.
    turnaround, kit : str
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
        If there is no such turnaround, or its plan has no such kit.
    Conflict
        If a later run has finished, the run planned none of the turnaround, or no storeroom serves its valves.
    InvalidInput
        If the storeroom serves none of its valves.
    """  # noqa: DOC502 (all but NotFound come from what is called, too)
    with write_session(engines) as session:
        run = latest_run(session, run_id)
        plan = stored(session, turnaround, run.id).plan
        found = next((one for one in plan.kits if code_key(one.kit) == code_key(kit)), None)
        if found is None:
            raise NotFound(f"run {run.id} plans no kit {kit} for turnaround {plan.code}")
        room = _storeroom(found, asked.storeroom)
        made = acceptances.store_acceptance(session, _acceptance(session, run, plan.code, found, room, asked, at))
        said = {"storeroom": room, "kit": found.kit, "turnaround": plan.code, **structs.asdict(asked)}
        audit.note(session, "accept proposal", {"acceptance": made.id, "run": run.id, **said, "storeroom": room})
        return shape_acceptance(made, said=notice(session))


def _storeroom(kit: TurnaroundKitOut, asked: str | None) -> str:
    rooms = storerooms_of(kit)
    if not rooms:
        raise Conflict(f"no storeroom serves the valves that take kit {kit.kit}: give their areas one")
    room = next((one for one in rooms if asked is None or code_key(one) == code_key(asked)), None)
    if room is None:
        raise InvalidInput(f"`storeroom` must be one that serves its valves, {' or '.join(rooms)}, got {asked!r}")
    return room


def _acceptance(
    session: Session,
    run: Run,
    turnaround: str,
    kit: TurnaroundKitOut,
    storeroom: str,
    asked: AcceptKitRequest,
    at: datetime | None,
) -> Acceptance:
    return Acceptance(
        run_id=run.id,
        as_of=run.as_of,
        storeroom=storeroom,
        kit=kit.kit,
        quantity=asked.quantity,
        reason=asked.reason,
        holder=acting.get().holder,
        accepted_at=at or now(),
        proposed_quantity=kit.to_order,
        unit_cost=kit.unit_cost,
        known_orders=[list(known) for known in acceptances.orders_known(session, storeroom=storeroom, kit=kit.kit)],
        turnaround=turnaround,
    )
