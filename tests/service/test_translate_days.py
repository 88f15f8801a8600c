"""Partial days as day numbers: the middle of what they may be, cut where the record knows more."""

from datetime import date

import pytest

from forecasting.histories import Event, History
from service.schemas.records import AreaRecord, DesignKitRecord, EventRecord, ValveRecord
from service.translate import Records, register_from_records

AS_OF = date(2020, 6, 30)
AREA = AreaRecord(code="A", records_begin_on=date(2010, 1, 1))
KITS = [
    DesignKitRecord(design="D", maintainable_item="trim", kit="K"),
    DesignKitRecord(design="D", maintainable_item="packing", kit="P"),
]


def day(text: str) -> int:
    return date.fromisoformat(text).toordinal()


def event(done_on: str, **said: str) -> EventRecord:
    return EventRecord(tag="V", done_on=done_on, action="rebuild", **said)  # type: ignore[arg-type]


def history(valve: ValveRecord, *events: EventRecord, as_of: date = AS_OF) -> History:
    records = Records(areas=[AREA], design_kits=KITS, valves=[valve], events=list(events))
    (found,) = register_from_records(records, as_of=as_of).histories
    return found


def only(*events: EventRecord, as_of: date = AS_OF) -> Event:
    (found,) = history(ValveRecord(tag="V", area="A", design="D"), *events, as_of=as_of).events
    return found


def span(found: Event) -> tuple[int, int]:
    first = found.done - found.done_spread // 2
    return first, first + found.done_spread


@pytest.mark.parametrize(
    ("done_on", "first", "last"),
    [
        ("2017-04-30", "2017-04-30", "2017-04-30"),
        ("2017-04", "2017-04-01", "2017-04-30"),
        ("2016-02", "2016-02-01", "2016-02-29"),
        ("2017", "2017-01-01", "2017-12-31"),
        ("2020", "2020-01-01", "2020-06-30"),
        ("2020-06", "2020-06-01", "2020-06-30"),
        ("2021", "2021-01-01", "2021-01-01"),
    ],
)
def test_a_day_is_what_its_text_says_and_not_after_the_cut_off(done_on: str, first: str, last: str) -> None:
    assert span(only(event(done_on))) == (day(first), day(last))


def test_found_and_done_cut_each_other() -> None:
    """Found on the 20th of a month, so done from then on; done on the 10th, so found by then."""
    after = only(event("2017-04", found_on="2017-04-20"))
    assert (after.found, span(after)) == (day("2017-04-20"), (day("2017-04-20"), day("2017-04-30")))
    before = only(event("2017-04-10", found_on="2017-04"))
    assert (before.found_first, before.found_within) == (day("2017-04-01"), 9)


def test_a_cut_off_between_found_and_done_leaves_the_event_unread() -> None:
    unread = only(event("2017-04", found_on="2017-04-20"), as_of=date(2017, 4, 10))
    assert unread.done >= unread.found_day == day("2017-04-20")


def test_last_ok_in_a_month_is_its_first_day() -> None:
    assert only(event("2017-04-10", last_ok_on="2017-03")).last_ok == day("2017-03-01")


def test_a_valve_was_installed_before_anything_was_done_to_it() -> None:
    valve = ValveRecord(tag="V", area="A", design="D", installed_on="2015")
    assert history(valve).installed == day("2015-07-02")
    assert history(valve, event("2015-03-01"), event("2014-03-01")).installed == day("2015-01-30")
    gone = ValveRecord(tag="V", area="A", design="D", installed_on="2015", removed_on=date(2015, 1, 3))
    assert history(gone).installed == day("2015-01-02")


def test_a_stated_renewal_of_a_month_is_the_event_that_tells_of_it() -> None:
    """Where none does it is the middle; the packing's event says nothing of the trim."""
    valve = ValveRecord(tag="V", area="A", design="D", last_renewed_on={"trim": "2015-04", "packing": "2015-04-02"})
    told = event("2015-04-12", ref="W-1")
    assert history(valve, told).last_renewed == {"trim": day("2015-04-12"), "packing": day("2015-04-02")}
    other = EventRecord(tag="V", done_on="2015-04-12", action="rebuild", renewed=["packing"])
    assert history(valve, other).last_renewed["trim"] == day("2015-04-15")
