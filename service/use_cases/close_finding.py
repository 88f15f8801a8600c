"""Close a data finding: leave it, merge what it is about, or void its event; by a named holder, with a reason."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import msgspec
from msgspec import structs

from models.base import Conflict, Session, code_key
from models.engine import Engines
from models.findings import FindingClosing
from models.queries import audit, findings, single_records, voids
from models.queries.files import FILES
from models.queries.findings import FoundAndClosed
from models.queries.rows import StoredRow, stored_rows
from models.queries.voids import Decided
from models.runs import RunFinding
from service.actors import acting
from service.db import write_session
from service.schemas.findings import ClosingRequest, FindingOut
from service.schemas.records import EventRecord
from service.settings import now
from service.translate_findings import DUPLICATE, LOOKS_ALIKE, UNTAGGED, facts_digest
from service.use_cases.list_findings import shape_finding

CHANGED = "the record has changed since this run: run the forecast anew and look again"


@dataclass(frozen=True, kw_only=True)
class _Closing:
    """What is decided about which finding, by whom."""

    session: Session
    finding: RunFinding
    asked: ClosingRequest
    by: Decided

    def events(self) -> list[tuple[StoredRow, str]]:
        """Find the events it is about, each with the digest of its facts.

        Raises
        ------
        Conflict
            If they aren't any more what the run saw.
        """
        told: Any = self.finding.details.get("events", [])
        stored = stored_rows(self.session, FILES["events"], [(key,) for key, _ in told])
        rows = [(stored.get((key,)), digest) for key, digest in told]
        found = [(row, digest) for row, digest in rows if row is not None]
        if len(found) < len(rows) or any(digest_of(row) != digest for row, digest in found):
            raise Conflict(CHANGED)
        return found


def digest_of(row: StoredRow) -> str:
    """Digest what a forecast reads of a stored event.

    Parameters
    ----------
    row : StoredRow
        Of events.

    Returns
    -------
    str
        As in the findings of a run.
    """
    return facts_digest(msgspec.convert(row.values, EventRecord))


def close_finding(engines: Engines, finding_id: int, asked: ClosingRequest) -> FindingOut:
    """Close a finding.

    Parameters
    ----------
    engines : Engines
        The database.
    finding_id : int
        Of any run; the same finding of a later run is closed with it.
    asked : ClosingRequest
        What was decided, and why.

    Returns
    -------
    FindingOut
        Closed.

    Raises
    ------
    NotFound
        If there is none.
    Conflict
        If it is closed already, the record has changed since, or the decision makes no sense for its kind.
    """  # noqa: DOC502 (NotFound comes from the query)
    by = Decided(holder=acting.get().holder, at=now(), reason=asked.reason)
    with write_session(engines) as session:
        found = findings.get_finding(session, finding_id)
        finding, old = found.finding, found.closing
        if old is not None:
            raise Conflict(f"it was closed already: {old.decision}, by {old.holder}: {old.reason}")
        if finding.identity is None:
            raise Conflict("this run is from before findings could be closed: run the forecast anew")
        _DECISIONS[asked.decision](_Closing(session=session, finding=finding, asked=asked, by=by))
        closing = findings.store_closing(session, _as_closing(finding, finding.identity, asked, by))
        audit.note(session, "close finding", {"finding": finding_id, "kind": finding.kind, **structs.asdict(asked)})
        return shape_finding(replace(FoundAndClosed(finding, None), closing=closing))


def _as_closing(finding: RunFinding, identity: str, asked: ClosingRequest, by: Decided) -> FindingClosing:
    return FindingClosing(
        identity=identity,
        kind=finding.kind,
        tag=finding.tag or asked.tag,
        record_key=finding.record_key,
        detail=finding.detail,
        decision=asked.decision,
        reason=by.reason,
        holder=by.holder,
        closed_at=by.at,
    )


def _leave(closing: _Closing) -> None:
    """Change nothing."""
    _expect_no_tag(closing)


def _void(closing: _Closing) -> None:
    _expect_no_tag(closing)
    if closing.finding.kind == UNTAGGED:
        voids.place(closing.session, str(closing.finding.record_key), at=closing.by.at)
        return
    events = closing.events()
    if not events:
        raise Conflict(f"void is for an event; {closing.finding.kind} is about no single event: leave it")
    row, digest = events[-1]
    voids.store_void(closing.session, row.id, digest=digest, merged_into_id=None, by=closing.by)


def _merge(closing: _Closing) -> None:
    merge = _MERGES.get(closing.finding.kind)
    if merge is None:
        raise Conflict(
            f"merge is for {', '.join(_MERGES)}; this is {closing.finding.kind}: leave it, or void its event"
        )
    merge(closing)


def _merge_events(closing: _Closing) -> None:
    _expect_no_tag(closing)
    events = closing.events()
    if len(events) != 2:
        raise Conflict("merge needs two events that can be told apart; here are not two")
    (kept, _), (row, digest) = events
    voids.store_void(closing.session, row.id, digest=digest, merged_into_id=kept.id, by=closing.by)


def _merge_tag(closing: _Closing) -> None:
    voids.merge_tag(closing.session, str(closing.finding.tag), into=_tag(closing), by=closing.by)


def _place(closing: _Closing) -> None:
    tag = _tag(closing)
    (valve,) = stored_rows(closing.session, FILES["valves"], [(code_key(tag),)]).values() or (None,)
    if valve is None:
        raise Conflict(f"there is no valve {tag}")
    row = voids.place(closing.session, str(closing.finding.record_key), at=closing.by.at)
    event = msgspec.convert({**row, "tag": tag}, EventRecord, strict=False)
    single_records.create_row(closing.session, "events", structs.asdict(event))


def _tag(closing: _Closing) -> str:
    if closing.asked.tag is None:
        raise Conflict("merge needs the tag it belongs to; details.candidates names some")
    return closing.asked.tag


def _expect_no_tag(closing: _Closing) -> None:
    if closing.asked.tag is not None:
        raise Conflict(f"a tag is for merging {LOOKS_ALIKE} and {UNTAGGED}; leave it out")


_DECISIONS: dict[str, Callable[[_Closing], None]] = {"leave": _leave, "void": _void, "merge": _merge}
_MERGES: dict[str, Callable[[_Closing], None]] = {DUPLICATE: _merge_events, LOOKS_ALIKE: _merge_tag, UNTAGGED: _place}
