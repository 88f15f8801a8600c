"""What named holders took of what runs proposed: stored and listed."""

from collections.abc import Sequence

from sqlmodel import col, select

from models.acceptances import Acceptance
from models.base import Session, code_key
from models.queries.results import same_code


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
