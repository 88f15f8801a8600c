"""Rows of events.csv that have a note but no tag: neither refused nor lost, held aside until somebody places them."""

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from hashlib import sha256
from typing import Any

import msgspec
from msgspec import structs

from models.base import Session
from models.queries import voids
from models.queries.audit import note
from service.schemas.records import EventRecord
from service.table_lines import RowError

NO_TAG = "-"


def may_wait(file: str, row: Mapping[str, Any], errors: Sequence[RowError]) -> bool:
    """Say whether a row lacks nothing but its tag, and has a note that may name it.

    Parameters
    ----------
    file : str
        Where it stands.
    row : mapping
        Its sound cells.
    errors : sequence of RowError
        What is wrong with it.

    Returns
    -------
    bool
        True only for events.
    """
    if file != "events" or not row.get("note") or len(errors) != 1:
        return False
    return errors[0].column == "tag" and not str(errors[0].value).strip()


def hold_aside(session: Session, rows: Sequence[Mapping[str, Any]], counted: Counter[str]) -> int:
    """Keep rows without a tag.

    Parameters
    ----------
    session : Session
        Of a write transaction.
    rows : sequence of mapping
        As read.
    counted : Counter
        How often each row came before in the same file; identical rows are told apart by their number.

    Returns
    -------
    int [rows]
        How many are new.
    """
    identified = []
    for row in rows:
        stated = {name: value for name, value in row.items() if value not in (None, [], {})}
        plain = msgspec.json.encode(stated, order="deterministic")
        likeness = sha256(plain).hexdigest()
        counted[likeness] += 1
        identified.append((sha256(f"{likeness} {counted[likeness]}".encode()).hexdigest(), json.loads(plain)))
    new = voids.hold_aside(session, identified)
    if new:
        note(session, "import", {"file": "events", "held_aside": new})
    return new


def waiting_rows(session: Session) -> Iterator[dict[str, Any]]:
    """Read the rows that still wait, as rows of the file they came from.

    Parameters
    ----------
    session : Session
        A reader's.

    Yields
    ------
    dict
        Every column of events; the tag is None.
    """
    for one in voids.held_aside(session):
        record = msgspec.convert({**one.row, "tag": NO_TAG}, EventRecord, strict=False)
        yield {**structs.asdict(record), "tag": None}
