"""What is decided about events has wrong treatments: put in place one by one, each must make the check fail."""

from collections.abc import Callable, Mapping, Sequence

import pytest

from models.queries.voids import Void
from service.schemas.records import EventRecord
from service.translate_findings import KeyedEvent, events_in_use, facts_digest

Treatment = Callable[[Sequence[KeyedEvent], Mapping[str, Void]], list[KeyedEvent]]


def event(key: str, record: EventRecord) -> KeyedEvent:
    return KeyedEvent(key=key, record=record, digest=facts_digest(record))


KEPT = event("a", EventRecord(ref="A", tag="V", done_on="2021-01-01", action="rebuild", reason="failure"))
TWICE = event(
    "b",
    EventRecord(ref="B", tag="V", done_on="2021-01-05", found_on="2021-01-03", action="rebuild", renewed=["trim"]),
)
CORRECTED = event("c", EventRecord(ref="C", tag="V", done_on="2022-01-01", action="rebuild"))
VOIDS = {
    "b": Void(facts_digest=TWICE.digest, merged_into="a"),
    "c": Void(facts_digest="of what it said before", merged_into=None),
}


def check(treatment: Treatment) -> None:
    used = {one.key: one.record for one in treatment([KEPT, TWICE, CORRECTED], VOIDS)}
    assert list(used) == ["a", "c"], "a void holds for the facts it was made on"
    assert used["a"].renewed == ["trim"], "what one leaves unsaid the other says"
    assert used["a"].reason == "failure", "what it says itself stays"
    assert used["a"].found_on is None, "nothing is found after it was done"


def test_events_in_use_are_those_left_and_completed() -> None:
    check(events_in_use)


def all_read(events: Sequence[KeyedEvent], voids: Mapping[str, Void]) -> list[KeyedEvent]:
    return list(events)


def every_void_holds(events: Sequence[KeyedEvent], voids: Mapping[str, Void]) -> list[KeyedEvent]:
    digests = {one.key: one.digest for one in events}
    held = {key: Void(facts_digest=digests[key], merged_into=void.merged_into) for key, void in voids.items()}
    return events_in_use(events, held)


def nothing_taken_over(events: Sequence[KeyedEvent], voids: Mapping[str, Void]) -> list[KeyedEvent]:
    alone = {key: Void(facts_digest=void.facts_digest, merged_into=None) for key, void in voids.items()}
    return events_in_use(events, alone)


def other_way_round(events: Sequence[KeyedEvent], voids: Mapping[str, Void]) -> list[KeyedEvent]:
    return events_in_use(events, {"a": Void(facts_digest=KEPT.digest, merged_into="b")})


@pytest.mark.parametrize(
    ("treatment", "broken"),
    [
        (all_read, "a void holds"),
        (every_void_holds, "a void holds"),
        (other_way_round, "a void holds"),
        (nothing_taken_over, "the other says"),
    ],
)
def test_a_wrong_treatment_is_noticed(treatment: Treatment, broken: str) -> None:
    with pytest.raises(AssertionError, match=broken):
        check(treatment)
