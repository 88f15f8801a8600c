"""Void an event: it stays in the record, and no forecast reads it while its facts stay as they are."""

from datetime import timedelta

from models.base import Session
from models.engine import Engines
from models.queries import audit, single_records, voids
from models.queries.voids import Decided
from service.actors import acting
from service.db import write_session
from service.problem_kinds import ROLE_TOO_LOW
from service.problems import ProblemFound
from service.schemas.findings import VoidOut
from service.settings import now
from service.use_cases.close_finding import digest_of

OWN_EVENTS_ONLY = "bench"
OWN_FOR = timedelta(days=30)


def void_event(engines: Engines, ref: str, tag: str, *, reason: str) -> VoidOut:
    """Void an event.

    Parameters
    ----------
    engines : Engines
        The database.
    ref, tag : str
        Its address.
    reason : str
        Why.

    Returns
    -------
    VoidOut
        Who voided it, and when.

    Raises
    ------
    NotFound
        If there is none.
    Conflict
        If it is voided already.
    ProblemFound
        If the caller may only void events of their own, and this is none.
    """  # noqa: DOC502 (come from the queries and _expect_own)
    by = Decided(holder=acting.get().holder, at=now(), reason=reason)
    with write_session(engines) as session:
        row = single_records.find_row(session, "events", [ref, tag])
        if acting.get().role == OWN_EVENTS_ONLY:
            _expect_own(session, row.id, by)
        voids.store_void(session, row.id, digest=digest_of(row), merged_into_id=None, by=by)
        audit.note(session, "void event", {"ref": ref, "tag": tag, "reason": reason})
    return VoidOut(ref=ref, tag=tag, voided_at=by.at, voided_by=by.holder, void_reason=reason)


def _expect_own(session: Session, event_id: int, by: Decided) -> None:
    recorded = voids.recording_of(session, event_id)
    if recorded is None or recorded.holder != by.holder or by.at - recorded.recorded_at > OWN_FOR:
        raise ProblemFound(
            ROLE_TOO_LOW, "A key of the role bench voids what its holder recorded within 30 days; a planner voids any."
        )
