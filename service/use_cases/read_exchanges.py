"""Exchanges of the record and the kits issued for them: what tells when the kits of exchanged valves are used."""

from collections import Counter, defaultdict
from datetime import date

from forecasting.exchanges import ExchangeTaking
from models.base import Session
from models.partial_days import first_day, last_day
from models.queries import issues_explained, spare_valves
from service.closings import voided_events
from service.shelf_matching import matched
from service.translate import NO_DESIGN, rebuild_of
from service.use_cases.read_shelf import read_shelf, takings


def read_exchanges(session: Session, *, as_of: date) -> dict[str, tuple[ExchangeTaking, ...]]:
    """Read which exchanges were done by a day, and when kits were issued for them.

    Parameters
    ----------
    session : Session
        A reader's.
    as_of : date
        What was done or issued after it isn't read.

    Returns
    -------
    dict from tag to tuple of ExchangeTaking
        In order of their days. An exchange known to the month or year counts on its middle day, or on that of its
        first issue if that was before.
    """
    shelf = read_shelf(session, as_of=as_of)
    voided = voided_events(session)
    scopes = issues_explained.event_scopes_where_exchanged(session, voided=voided)
    done = (scope for scope in scopes if first_day(scope.done_on) <= as_of)
    used = list(takings(session, shelf, done, unsaid=Counter()))
    issued: dict[int, list[date]] = defaultdict(list)
    for taken in matched(shelf.issues, used):
        issued[taken.taking.event] += [taken.on] * taken.qty
    codes = {kit.id: kit.code for kit in shelf.kits}
    kits: dict[int, list[str]] = defaultdict(list)
    for taking in used:
        kits[taking.event].append(codes[taking.kit])
    return {
        place.tag: tuple(
            _taking(
                exchange.done_on,
                issued[exchange.event],
                kits[exchange.event] or [rebuild_of(place.design or NO_DESIGN)],
            )
            for exchange in place.exchanges
            if first_day(exchange.done_on) <= as_of
        )
        for place in spare_valves.places(session, voided=voided)
        if place.exchanges
    }


def _taking(done_on: str, issued: list[date], kits: list[str]) -> ExchangeTaking:
    first, last = first_day(done_on).toordinal(), last_day(done_on).toordinal()
    days = sorted(day.toordinal() for day in issued)
    return ExchangeTaking(day=min([(first + last) // 2, *days]), issued=tuple(days), kits=tuple(sorted(kits)))
