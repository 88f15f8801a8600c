"""The record as a run reads it: with everything decided about findings applied, nothing stored differently."""

from dataclasses import dataclass

import msgspec

from models.base import Session
from models.queries import records, voids
from models.queries.files import FILES
from models.queries.rows import stored_rows
from service.schemas.records import EventRecord, ValveRecord
from service.translate_findings import KeyedEvent, events_in_use, facts_digest, with_tags_merged


@dataclass(frozen=True, kw_only=True)
class ReadHistory:
    """Valves and events, voids left out and merged tags read as one."""

    valves: list[ValveRecord]
    events: list[KeyedEvent]


def keyed_events(session: Session) -> list[KeyedEvent]:
    """Read every event under its key.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    list of KeyedEvent
        By valve and day, as stored.
    """
    rows = (msgspec.convert(row, EventRecord) for row in records.read_all(session, "events"))
    return [
        KeyedEvent(key=key, record=row, digest=facts_digest(row))
        for key, row in zip(voids.event_keys(session), rows, strict=True)
    ]


def voided_events(session: Session) -> dict[int, int | None]:
    """Find the events that no forecast reads.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    dict from id to id or None
        Voided with the facts they have now, each with the event that stands for both.
    """
    stated = voids.voids(session)
    keys = {*stated, *(void.merged_into for void in stated.values() if void.merged_into)}
    rows = stored_rows(session, FILES["events"], [(key,) for key in keys])
    ids = {key: row.id for (key,), row in rows.items()}
    digests = {key: facts_digest(msgspec.convert(row.values, EventRecord)) for (key,), row in rows.items()}
    return {
        ids[key]: ids[void.merged_into] if void.merged_into else None
        for key, void in stated.items()
        if digests[key] == void.facts_digest
    }


def read_history(session: Session) -> ReadHistory:
    """Read valves and events as a forecast may use them.

    Parameters
    ----------
    session : Session
        A reader's.

    Returns
    -------
    ReadHistory
        What was voided is absent.
    """
    valves = [msgspec.convert(row, ValveRecord) for row in records.read_all(session, "valves")]
    used = events_in_use(keyed_events(session), voids.voids(session))
    kept, events = with_tags_merged(valves, used, voids.merged_tags(session))
    return ReadHistory(valves=kept, events=events)
