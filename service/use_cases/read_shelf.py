"""Issues and what events used, read together: the record a comparison of the two stands on."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from models.base import Session
from models.queries import issues_explained
from models.queries.issues_explained import EventScope, IssueLine, KitCode
from service.shelf_matching import Taking, kits_used, present_kits


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """What was issued, kits counted as those that superseded them; `present` maps old kits to new ones."""

    kits: Sequence[KitCode]
    present: dict[int, int]
    issues: Sequence[IssueLine]


def read_shelf(session: Session, *, as_of: date) -> Shelf:
    """Read what was issued by a day.

    Parameters
    ----------
    session : Session
        A reader's.
    as_of : date
        What was issued after it isn't read, supersessions after it aren't followed.

    Returns
    -------
    Shelf
        Every issue and return.
    """
    kits = issues_explained.kit_codes(session)
    present = present_kits(kits, as_of=as_of)
    lines = issues_explained.issue_lines(session)
    issues = [replace(line, kit=present[line.kit]) for line in lines if line.issued_on <= as_of]
    return Shelf(kits=kits, present=present, issues=issues)


def takings(session: Session, shelf: Shelf, events: Iterable[EventScope], *, unsaid: Counter[int]) -> Iterator[Taking]:
    """Say which kits events used, event by event.

    Parameters
    ----------
    session : Session
        A reader's; stays open until the last one is taken.
    shelf : Shelf
        Its supersessions are followed.
    events : iterable of EventScope
        Read one by one.
    unsaid : Counter
        Gains one, under its year, for each event whose kits nobody can tell.

    Yields
    ------
    Taking
        One per event and kit.
    """
    needs = issues_explained.design_needs(session)
    for event in events:
        used = kits_used(event, needs.get(event.design or 0, []))
        unsaid[int(event.done_on[:4])] += not used
        present: Counter[int] = Counter()
        for kit, qty in used.items():
            present[shelf.present[kit]] += qty
        for kit, qty in present.items():
            yield Taking(
                event=event.id, valve=event.valve, action=event.action, done_on=event.done_on, kit=kit, qty=qty
            )
