"""Reopen a data finding: what its closing voided, merged or placed is lifted; by a named holder, with a reason."""

from typing import Any

import msgspec
from msgspec import structs

from models.base import Conflict, Session
from models.engine import Engines
from models.findings import FindingClosing
from models.queries import audit, decisions, findings, single_records
from models.queries.changes import find_changes
from models.queries.files import FILES
from models.queries.findings import FoundAndClosed
from models.runs import RunFinding
from service.db import write_session
from service.schemas.findings import FindingOut, ReopeningRequest
from service.schemas.records import EventRecord
from service.translate_findings import LOOKS_ALIKE, UNTAGGED
from service.use_cases.list_findings import shape_finding


def reopen_finding(engines: Engines, finding_id: int, asked: ReopeningRequest) -> FindingOut:
    """Reopen a finding.

    Parameters
    ----------
    engines : Engines
        The database.
    finding_id : int
        Of any run; the same finding of a later run is open with it.
    asked : ReopeningRequest
        Why.

    Returns
    -------
    FindingOut
        Open; forecasts from now on read the record as if it had never been closed.

    Raises
    ------
    NotFound
        If there is none.
    Conflict
        If it is open, or what its closing placed has been changed or decided on since.
    """  # noqa: DOC502 (NotFound comes from the query)
    with write_session(engines) as session:
        found = findings.get_finding(session, finding_id)
        finding, closing = found.finding, found.closing
        if closing is None:
            raise Conflict("it is open: nobody has closed it")
        lifted = {"decision": closing.decision, "closed_by": closing.holder, "closed_for": closing.reason}
        subject = {"finding": finding_id, "kind": finding.kind, "reason": asked.reason, **lifted}
        audit.note(session, "reopen finding", subject)
        _undo(session, finding, closing)
        decisions.forget_closing(session, closing)
        return shape_finding(FoundAndClosed(finding, None))


def _undo(session: Session, finding: RunFinding, closing: FindingClosing) -> None:
    if finding.kind == UNTAGGED:
        _take_back(session, closing)
    elif finding.kind == LOOKS_ALIKE:
        decisions.lift_tag_merge(session, closing)
    else:
        told: Any = finding.details.get("events", [])
        for key, _ in told:
            decisions.lift_void(session, key, closing)


def _take_back(session: Session, closing: FindingClosing) -> None:
    """Let a row wait for its tag again, and take the event away that was made of it."""  # noqa: DOC501 (the caller's)
    row = decisions.let_wait_again(session, closing)
    if row is None or closing.decision != "merge":
        return
    event = msgspec.convert({**row, "tag": closing.tag}, EventRecord, strict=False)
    (change,) = find_changes(session, FILES["events"], [structs.asdict(event)])
    if change.stored is None:
        return
    if change.writes:
        raise Conflict("the event made of the row has been changed since: delete or void that, and leave this closed")
    if decisions.is_decided_on(session, change.stored.id):
        raise Conflict("the event made of the row was voided or merged since: reopen that first")
    single_records.delete_row(session, "events", change.stored)
