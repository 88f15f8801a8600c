"""What named holders took of what runs proposed: stored and listed, and what a run has to know of it."""

from collections.abc import Iterable, Sequence

from sqlalchemy import ColumnElement
from sqlmodel import col, select

from models.acceptances import Acceptance
from models.base import Session, code_key
from models.kits import Kit
from models.queries.results import same_code
from models.stock import Order, StockSetting, Storeroom


def store_acceptance(session: Session, acceptance: Acceptance) -> Acceptance:
    """Store what was taken; nothing ever changes or deletes it.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    acceptance : Acceptance
        Its keys are made here.

    Returns
    -------
    Acceptance
        With its id.
    """
    acceptance.storeroom_key, acceptance.kit_key = code_key(acceptance.storeroom), code_key(acceptance.kit)
    acceptance.turnaround_key = None if acceptance.turnaround is None else code_key(acceptance.turnaround)
    session.add(acceptance)
    session.flush()
    return acceptance


def list_acceptances(
    session: Session, *, storeroom: str | None, kit: str | None, after: int, limit: int
) -> Sequence[Acceptance]:
    """List what was taken, the first first.

    Parameters
    ----------
    session : Session
        A reader's.
    storeroom, kit : str or None
        Only those of this storeroom, of this kit.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of Acceptance
        By id.
    """
    of = (*same_code(Acceptance.storeroom_key, storeroom), *same_code(Acceptance.kit_key, kit))
    wanted = select(Acceptance).where(col(Acceptance.id) > after, *of)
    return session.exec(wanted.order_by(col(Acceptance.id)).limit(limit)).all()


def every_acceptance(session: Session) -> Sequence[Acceptance]:
    """Read all that was taken, for a run.

    Parameters
    ----------
    session : Session
        Any.

    Returns
    -------
    sequence of Acceptance
        By id: the order in which they were made.
    """
    return session.exec(select(Acceptance).order_by(col(Acceptance.id))).all()


def taken_of_run(session: Session, run_id: int) -> dict[tuple[str, str], int]:
    """Add up how many kits were taken of what a run proposes; a quantity of 0 takes back what was taken before.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    dict from (storeroom, kit) to int [kits]
        By keys, only where a quantity was decided.
    """
    taken = _quantities(session, run_id, col(Acceptance.turnaround).is_(None))
    return _added_up((one.storeroom_key, one.kit_key, one.quantity or 0) for one in taken)


def taken_for_turnarounds(session: Session, run_id: int) -> dict[tuple[str, str], int]:
    """Add up how many kits were taken of what a run's plans of turnarounds want ordered.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    dict from (turnaround, kit) to int [kits]
        By keys, only where a quantity was decided; 0 takes back what was taken before.
    """
    taken = _quantities(session, run_id, col(Acceptance.turnaround).is_not(None))
    return _added_up((one.turnaround_key or "", one.kit_key, one.quantity or 0) for one in taken)


def _quantities(session: Session, run_id: int, of: ColumnElement[bool]) -> Sequence[Acceptance]:
    wanted = select(Acceptance).where(Acceptance.run_id == run_id, col(Acceptance.quantity).is_not(None), of)
    return session.exec(wanted.order_by(col(Acceptance.id))).all()


def _added_up(taken: Iterable[tuple[str, str, int]]) -> dict[tuple[str, str], int]:
    found: dict[tuple[str, str], int] = {}
    for of, kit, qty in taken:
        found[of, kit] = found.get((of, kit), 0) + qty if qty else 0
    return found


def orders_known(session: Session, *, storeroom: str, kit: str) -> list[tuple[str, str]]:
    """Name the orders of a kit for a storeroom that are in the record.

    Parameters
    ----------
    session : Session
        Any.
    storeroom, kit : str
        Codes.

    Returns
    -------
    list of (ref, line)
        In order.
    """
    wanted = (
        select(Order.ref, Order.line)
        .join(Storeroom, col(Storeroom.id) == Order.storeroom_id)
        .join(Kit, col(Kit.id) == Order.kit_id)
        .where(Storeroom.code_key == code_key(storeroom), Kit.code_key == code_key(kit))
        .order_by(col(Order.ref), col(Order.line))
    )
    return [(ref, line) for ref, line in session.exec(wanted)]


def level_stated(session: Session, *, storeroom: str, kit: str) -> int | None:
    """Read the reorder point that the record states.

    Parameters
    ----------
    session : Session
        Any.
    storeroom, kit : str
        Codes.

    Returns
    -------
    int or None [kits]
        None where it states none.
    """
    wanted = (
        select(StockSetting.present_reorder_point)
        .join(Storeroom, col(Storeroom.id) == StockSetting.storeroom_id)
        .join(Kit, col(Kit.id) == StockSetting.kit_id)
        .where(Storeroom.code_key == code_key(storeroom), Kit.code_key == code_key(kit))
    )
    return session.exec(wanted).one_or_none()
