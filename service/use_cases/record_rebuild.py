"""Record a rebuild as it was filled in at the bench; sending the same form twice records it once."""

from collections.abc import Mapping
from datetime import date
from hashlib import sha256

import msgspec
from msgspec import structs

from forecasting.errors import InvalidInput
from models.base import Conflict
from models.engine import Engines
from service.body_misfits import misfits_of
from service.problem_kinds import REPEATED_DIFFERENTLY
from service.problems import ProblemFound
from service.schemas.rebuild_sheet import RebuildSheetOut
from service.schemas.records import EventRecord
from service.use_cases.change_records import create_record, list_events_of, read_record
from service.use_cases.read_rebuild_sheet import read_rebuild_sheet

BENCH, REF_DIGITS = "bench-", 16
MOST = 1e9


def record_rebuild(engines: Engines, tag: str, form: Mapping[str, str], *, sent_as: str, today: date) -> EventRecord:
    """Record a rebuild.

    Parameters
    ----------
    engines : Engines
        The database.
    tag : str
        The valve.
    form : mapping
        The fields of the form.
    sent_as : str
        What only this filling in of the form has.
    today : date
        Nothing may be done later.

    Returns
    -------
    EventRecord
        The event, recorded now, when the form came first, or when another form said the same of the same day.

    Raises
    ------
    InvalidInput
        If a field can't be read.
    ProblemFound
        If the form came before with other contents.
    """
    pressure, as_left = (_number(form, name) for name in ("pressure_drop_kpa", "as_left_ml_per_min"))
    sheet = read_rebuild_sheet(engines, tag, today=today, pressure_drop_kpa=pressure, as_left_ml_per_min=as_left)
    event = _event(sheet, form, ref=f"{BENCH}{sha256(sent_as.encode()).hexdigest()[:REF_DIGITS]}")
    known = _recorded_alike(engines, event)
    if known is not None:
        return known
    try:
        create_record(engines, "events", event, today=today)
    except Conflict:
        if read_record(engines, "events", [event.ref or "", event.tag]).record != event:
            raise ProblemFound(REPEATED_DIFFERENTLY, "This form was sent before with other contents.") from None
    return event


def typed_number(text: str, *, name: str = "a field") -> float | None:
    """Read a number as somebody typed it.

    Parameters
    ----------
    text : str
        With a decimal point or comma; empty for none.
    name : str
        What the number is.

    Returns
    -------
    float or None
        0 or more.

    Raises
    ------
    InvalidInput
        If it isn't one.
    """
    try:
        value = float(text.strip().replace(",", ".")) if text.strip() else None
    except ValueError as error:
        raise InvalidInput(f"{name} is {text[:40]}, expected a number") from error
    if value is not None and not 0.0 <= value < MOST:
        raise InvalidInput(f"{name} is {text[:40]}, expected a number, 0 or more")
    return value


def _recorded_alike(engines: Engines, event: EventRecord) -> EventRecord | None:
    """Find an event of the bench that says the same of the same day: somebody went back and sent a fresh form again."""
    recorded = (row for row in list_events_of(engines, event.tag).rows() if isinstance(row, EventRecord))
    of_bench = (row for row in recorded if (row.ref or "").startswith(BENCH))
    return next((row for row in of_bench if structs.replace(row, ref=event.ref) == event), None)


def _event(sheet: RebuildSheetOut, form: Mapping[str, str], *, ref: str) -> EventRecord:
    items = [item for kit in sheet.kits for item in kit.maintainable_items]
    used = {kit.kit: int(_number(form, f"kit {kit.kit}") or 0) for kit in sheet.kits}
    raw = {
        "ref": ref,
        "tag": sheet.tag,
        "done_on": form.get("done_on", ""),
        "action": "rebuild",
        "reason": form.get("reason") or None,
        "as_found": {item: form[f"found {item}"] for item in items if form.get(f"found {item}")},
        "renewed": [item for item in items if form.get(f"renewed {item}")],
        "kits_used": {kit: qty for kit, qty in used.items() if qty},
        "note": _note(sheet, form),
    }
    try:
        return msgspec.convert(raw, EventRecord)
    except msgspec.ValidationError as error:
        said = "; ".join(
            f"{one.pointer[1:]} is {one.value!r}, expected {one.expected}" for one in misfits_of(raw, EventRecord)
        )
        raise InvalidInput(f"the form can't be recorded: {said}") from error


def _note(sheet: RebuildSheetOut, form: Mapping[str, str]) -> str | None:
    seat = sheet.seat_leakage
    said = [form.get("note", "").strip()]
    if seat.as_left_ml_per_min is not None:
        allowed = "unknown" if seat.allowed_ml_per_min is None else f"{seat.allowed_ml_per_min:g} ml/min"
        said.append(f"as left seat leak {seat.as_left_ml_per_min:g} ml/min, allowed {allowed}: {seat.verdict}")
    return "; ".join(part for part in said if part) or None


def _number(form: Mapping[str, str], name: str) -> float | None:
    return typed_number(form.get(name, ""), name=name)
