"""The pool of spare valves: what exchanges took out, not fitted again yet, rebuilt or waiting for it."""

from collections import Counter
from datetime import date

from models.base import code_key
from models.engine import Engines
from models.partial_days import last_day
from models.queries import issues_explained, spare_valves
from service.closings import voided_events
from service.db import read_session
from service.listings import Listing, listing_of
from service.schemas.shelf import SpareValveOut
from service.shelf_matching import matched
from service.spare_pool import Spare, spares
from service.use_cases.choose_run import notice
from service.use_cases.read_shelf import read_shelf, takings


def list_spare_valves(engines: Engines, *, design: str | None, as_of: date) -> Listing[SpareValveOut]:
    """List the valves that exchanges took out and that aren't fitted again.

    A spare counts as rebuilt once a kit was issued for its exchange (`service.shelf_matching.matched`). Spares that
    no exchange took out aren't in the record.

    Parameters
    ----------
    engines : Engines
        The database.
    design : str or None
        Only spares of this design.
    as_of : date
        What was issued after it isn't read.

    Returns
    -------
    Listing
        One row per valve, by design, place and day.
    """
    with read_session(engines) as session:
        voided = voided_events(session)
        pool = spares(spare_valves.places(session, voided=voided))
        shelf = read_shelf(session, as_of=as_of)
        events = issues_explained.event_scopes_where_exchanged(session, voided=voided)
        used = list(takings(session, shelf, events, unsaid=Counter()))
        said = notice(session)
    known = {taking.event for taking in used}
    taken_on: dict[int, date] = {}
    for taken in matched(shelf.issues, used):
        taken_on[taken.taking.event] = min(taken.on, taken_on.get(taken.taking.event, taken.on))
    begun = min((line.issued_on for line in shelf.issues), default=date.max)
    rows = [
        _row(
            spare,
            taken_on.get(spare.exchange.event),
            unknown=_why_unknown(spare, kits_known=spare.exchange.event in known, issues_begin=begun),
        )
        for spare in pool
        if design is None or code_key(spare.place.design or "") == code_key(design)
    ]
    return listing_of(SpareValveOut, rows, notice=said)


def _why_unknown(spare: Spare, *, kits_known: bool, issues_begin: date) -> str | None:
    if not kits_known:
        return "which kits its rebuild takes isn't recorded"
    return "no issue of those days is recorded" if last_day(spare.exchange.done_on) < issues_begin else None


def _row(spare: Spare, taken_on: date | None, *, unknown: str | None) -> SpareValveOut:
    notes = [spare.note, None if taken_on else unknown]
    return SpareValveOut(
        design=spare.place.design,
        serial=spare.serial,
        removed_from=spare.place.tag,
        removed_on=spare.exchange.done_on,
        state="rebuilt" if taken_on else "not known" if unknown else "waiting",
        kits_taken_on=taken_on,
        note="; ".join(filter(None, notes)) or None,
    )
