"""Valves found by a part of their tag, as people say it."""

from collections.abc import Sequence

from sqlalchemy import ColumnElement, String, func, select, type_coerce
from sqlmodel import col

from models.base import Session, code_key
from models.findings import TagMerge
from models.queries.files import FILES
from models.queries.rows import StoredRow, stored_rows
from models.register import Valve

SEPARATORS = " -_./"


def valves_by_part(session: Session, part: str, *, offset: int, limit: int) -> Sequence[StoredRow]:
    """Find valves whose tag holds a text, without regard to case, blanks and what separates letters from digits.

    Parameters
    ----------
    session : Session
        A reader's.
    part : str
        What somebody remembers of the tag; nothing but separators finds every valve.
    offset, limit : int [valves]
        Which part of what was found.

    Returns
    -------
    sequence of StoredRow
        By tag; a tag merged into another isn't among them.
    """
    wanted = code_key(part)
    for separator in SEPARATORS:
        wanted = wanted.replace(separator, "")
    found = (
        select(col(Valve.tag_key))
        .where(_squeezed().contains(wanted, autoescape=True))
        .where(col(Valve.id).not_in(select(col(TagMerge.valve_id))))
        .order_by(col(Valve.tag_key))
        .offset(offset)
        .limit(limit)
    )
    keys = [(str(key),) for key in session.scalars(found)]
    rows = stored_rows(session, FILES["valves"], keys)
    return [rows[key] for key in keys]


def _squeezed() -> ColumnElement[str]:
    tag: ColumnElement[str] = type_coerce(col(Valve.tag_key), String)
    for separator in SEPARATORS:
        tag = func.replace(tag, separator, "")
    return tag
