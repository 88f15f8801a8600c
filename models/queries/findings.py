"""Findings of runs with what was decided about them, and the closing of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import col, select

from models.base import NotFound, Session
from models.findings import FindingClosing
from models.runs import RunFinding


@dataclass(frozen=True)
class FoundAndClosed:
    """A finding, and how it was closed if it was."""

    finding: RunFinding
    closing: FindingClosing | None

    @property
    def id(self) -> int:
        """What orders the list."""
        return self.finding.id


@dataclass(frozen=True, kw_only=True)
class FindingFilter:
    """Which findings are asked for; None: any."""

    kind: str | None = None
    open: bool | None = None


def list_findings(
    session: Session, run_id: int, wanted: FindingFilter, *, after: int, limit: int
) -> Sequence[FoundAndClosed]:
    """List what a run found wrong with the record, and what was decided about it since or before.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose findings.
    wanted : FindingFilter
        Which of them.
    after : int
        The id of the last row already read.
    limit : int [rows]
        How many at most.

    Returns
    -------
    sequence of FoundAndClosed
        In the order they were stored.
    """
    statement = (
        select(RunFinding, FindingClosing)
        .outerjoin(FindingClosing, col(RunFinding.identity) == col(FindingClosing.identity))
        .where(col(RunFinding.run_id) == run_id, col(RunFinding.id) > after)
        .order_by(col(RunFinding.id))
        .limit(limit)
    )
    if wanted.kind is not None:
        statement = statement.where(col(RunFinding.kind) == wanted.kind)
    if wanted.open is not None:
        missing = col(FindingClosing.id).is_(None)
        statement = statement.where(missing if wanted.open else ~missing)
    return [FoundAndClosed(finding, closing) for finding, closing in session.execute(statement)]


def get_finding(session: Session, finding_id: int) -> FoundAndClosed:
    """Find a finding of any run.

    Parameters
    ----------
    session : Session
        Any.
    finding_id : int
        Which one.

    Returns
    -------
    FoundAndClosed
        With its closing if there is one.

    Raises
    ------
    NotFound
        If there is none.
    """
    statement = (
        select(RunFinding, FindingClosing)
        .outerjoin(FindingClosing, col(RunFinding.identity) == col(FindingClosing.identity))
        .where(col(RunFinding.id) == finding_id)
    )
    found = session.execute(statement).first()
    if found is None:
        raise NotFound(f"there is no finding {finding_id}")
    return FoundAndClosed(found[0], found[1])


def store_closing(session: Session, closing: FindingClosing) -> FindingClosing:
    """Store how a finding was closed.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    closing : FindingClosing
        Of a finding that is open.

    Returns
    -------
    FindingClosing
        With its id.
    """
    session.add(closing)
    session.flush()
    return closing
