"""What runs planned for turnarounds, as they stored it."""

from collections.abc import Sequence

from sqlmodel import col, select

from models.base import Session, code_key
from models.runs import RunTurnaround
from models.turnarounds import Turnaround


def stored_plan(session: Session, run_id: int, code: str) -> bytes | None:
    """Find what a run planned for a turnaround.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.
    code : str
        Of the turnaround.

    Returns
    -------
    bytes or None
        Compressed, as stored; None: it planned none of that code.
    """
    wanted = select(RunTurnaround.content).where(
        RunTurnaround.run_id == run_id, RunTurnaround.code_key == code_key(code)
    )
    return session.exec(wanted).one_or_none()


def stored_plans(session: Session, run_id: int) -> Sequence[bytes]:
    """Read everything a run planned for turnarounds.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    sequence of bytes
        Compressed, in the order they were stored.
    """
    wanted = select(RunTurnaround.content).where(RunTurnaround.run_id == run_id)
    return session.exec(wanted.order_by(col(RunTurnaround.id))).all()


def find_turnaround(session: Session, code: str) -> Turnaround | None:
    """Find a turnaround in the record.

    Parameters
    ----------
    session : Session
        A reader's.
    code : str
        Compared without regard to case.

    Returns
    -------
    Turnaround or None
        As it is now.
    """
    return session.exec(select(Turnaround).where(Turnaround.code_key == code_key(code))).one_or_none()


def planned_codes(session: Session, run_id: int) -> list[str]:
    """List the turnarounds a run planned.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Which run.

    Returns
    -------
    list of str
        Their codes, in the order they were planned in.
    """
    wanted = select(RunTurnaround.code).where(RunTurnaround.run_id == run_id).order_by(col(RunTurnaround.id))
    return list(session.exec(wanted))
