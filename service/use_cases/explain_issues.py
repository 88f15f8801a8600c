"""How much of what left the shelves the events explain, kit by kit and year by year."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from models.base import Session, code_key
from models.engine import Engines
from models.partial_days import first_day
from models.queries import issues_explained
from models.queries.issues_explained import Watch
from service.closings import voided_events
from service.db import read_session
from service.listings import Listing, listing_of
from service.schemas.results import rounded
from service.schemas.shelf import IssuesExplainedOut
from service.shelf_matching import Tally, tally
from service.use_cases.choose_run import notice
from service.use_cases.read_shelf import Shelf, read_shelf, takings


@dataclass(frozen=True, kw_only=True)
class _Record:
    """From which day the events of a kit's valves are complete (absent: no design takes it), and what stays unsaid."""

    begins: Mapping[int, date]
    plant_begins: date
    unsaid: Mapping[int, int]


def explain_issues(engines: Engines, *, kit: str | None, as_of: date) -> Listing[IssuesExplainedOut]:
    """Compare what left the shelves with what events used; how they are matched: `service.shelf_matching.tally`.

    A year is judged where kits were issued in it and the events of every valve whose design takes the kit are
    complete from its first day on.

    Parameters
    ----------
    engines : Engines
        The database.
    kit : str or None
        Only this kit.
    as_of : date
        What was issued after it isn't read, supersessions after it aren't followed.

    Returns
    -------
    Listing
        One row per kit and calendar year in which it was issued or used; kits that were superseded count as the
        present one.
    """
    unsaid: Counter[int] = Counter()
    with read_session(engines) as session:
        shelf = read_shelf(session, as_of=as_of)
        voided = voided_events(session)
        events = issues_explained.event_scopes(session, voided=voided)
        tallies = tally(shelf.issues, takings(session, shelf, events, unsaid=unsaid))
        begins = _begins(session, shelf, voided)
        record = _Record(begins=begins, plant_begins=max(begins.values(), default=date.min), unsaid=unsaid)
        said = notice(session)
    codes = {one.id: one.code for one in shelf.kits}
    places = {one.id: place for place, one in enumerate(shelf.kits)}
    rows = [
        _row(codes[kit_id], kit_id, year, tallies[kit_id, year], record)
        for kit_id, year in sorted(tallies, key=lambda pair: (places[pair[0]], pair[1]))
        if kit is None or code_key(codes[kit_id]) == code_key(kit)
    ]
    return listing_of(IssuesExplainedOut, rows, notice=said)


def _begins(session: Session, shelf: Shelf, voided: Mapping[int, int | None]) -> dict[int, date]:
    """From which day the events of all valves that take a kit are complete."""
    of_design: dict[int | None, date] = {}
    for watch in issues_explained.watches(session, voided=voided):
        of_design[watch.design] = max(of_design.get(watch.design, date.min), _complete_from(watch))
    begins: dict[int, date] = {}
    for design, needs in issues_explained.design_needs(session).items():
        for kit in {shelf.present[need.kit] for need in needs}:
            begins[kit] = max(begins.get(kit, date.min), of_design.get(design, date.min))
    return begins


def _complete_from(watch: Watch) -> date:
    """No event of a valve is missing that wasn't there before its records began, or was gone by then."""
    if watch.begins_on is None or (watch.installed_on and first_day(watch.installed_on) >= watch.begins_on):
        return date.min
    return min(watch.begins_on, watch.removed_on or date.max)


def _row(code: str, kit: int, year: int, counted: Tally, record: _Record) -> IssuesExplainedOut:
    begins = record.begins.get(kit, record.plant_begins)
    unknown = _why_unknown(counted, date(year, 1, 1), begins)
    explained = None if unknown else counted.explained
    unexplained = None if unknown else counted.issued - counted.explained
    return IssuesExplainedOut(
        kit=code,
        year=year,
        issued_qty=counted.issued,
        event_qty=counted.used,
        explained_qty=explained,
        unexplained_qty=unexplained,
        explained_share=None if unknown else rounded(counted.explained / counted.issued),
        reason=unknown or _why_unexplained(counted, year, record, taken=kit in record.begins),
    )


def _why_unknown(counted: Tally, year_begins: date, begins: date) -> str | None:
    if year_begins < begins:
        return f"the events of the valves that may take it are complete from {begins} only"
    if not counted.lines:
        return "no issue of it is recorded in this year"
    return "as many came back as went out, or more" if counted.issued <= 0 else None


def _why_unexplained(counted: Tally, year: int, record: _Record, *, taken: bool) -> str | None:
    if counted.explained >= counted.issued:
        return None
    if not taken and not counted.used:
        return "no design takes it, and no event of this year used it"
    unsaid = record.unsaid.get(year, 0)
    return f"of {unsaid} events of this year nobody can tell which kits they used" if unsaid else None
