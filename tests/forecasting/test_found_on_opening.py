"""What openings find: which of the record count, and how sure the chance is."""

import numpy as np
import pytest

from forecasting.found_on_opening import Opening, chance_found, openings_seen
from forecasting.histories import Action, AsFound, Event, History, Reason

OK, WORN, FAILED = AsFound.OK, AsFound.WORN, AsFound.FAILED


def seen(reason: Reason, renewed: set[str], found: dict[str, AsFound], turnaround: str = "") -> dict[str, bool]:
    event = Event(
        ref="", action=Action.REBUILD, done=9, reason=reason, renewed=frozenset(renewed), as_found=found,
        turnaround=turnaround,
    )  # fmt: skip
    valve = History(
        valve="V", service_class="air", items=("packing", "trim"), records_begin=0, installed=0, events=(event,)
    )
    return {one.item: one.found for one in openings_seen([valve], as_of=10)}


@pytest.mark.parametrize(
    ("reason", "renewed", "found", "wanted"),
    [
        (Reason.PLANNED, {"packing"}, {"packing": OK, "trim": OK}, {"trim": False}),
        (Reason.PLANNED, {"packing"}, {}, {"trim": False}),
        (Reason.PLANNED, {"packing", "trim"}, {"trim": WORN}, {"trim": True}),
        (Reason.PLANNED, {"packing", "trim"}, {"trim": OK}, {}),  # may have been planned
        (Reason.PLANNED, {"packing"}, {"trim": WORN}, {}),  # left in place
        (Reason.FAILURE, {"packing", "trim"}, {"packing": FAILED, "trim": WORN}, {"trim": True}),
        (Reason.FAILURE, {"packing"}, {"packing": FAILED}, {"trim": False}),
        (Reason.FAILURE, {"packing", "trim"}, {"packing": FAILED, "trim": FAILED}, {}),  # either may be the cause
    ],
)
def test_which_openings_count(
    reason: Reason, renewed: set[str], found: dict[str, AsFound], wanted: dict[str, bool]
) -> None:
    assert seen(reason, renewed, found) == wanted


def opening(service_class: str, before: str, found: bool) -> Opening:
    return Opening(service_class=service_class, item="trim", found_before=before, found=found)


def test_openings_of_the_class_and_state_count_in_full() -> None:
    record = [opening("air", "worn", True)] * 30 + [opening("air", "worn", False)] * 10
    chance = chance_found(record, item="trim", service_class="air", found_before="worn")
    assert (chance.found, chance.sound, chance.seen, chance.seen_found) == (30.5, 10.5, 40, 30)


def test_openings_of_others_are_worth_ten() -> None:
    record = [opening("steam", "", True)] * 99 + [opening("steam", "", False)] * 299
    chance = chance_found(record, item="trim", service_class="air", found_before="")
    assert chance.found + chance.sound == pytest.approx(10.0)
    assert chance.mean == pytest.approx(99.5 / 399.0)
    assert chance.seen == 0


def test_points_have_the_mean_and_widen_with_few_openings() -> None:
    unit = (np.arange(64) + 0.5) / 64
    few = chance_found([opening("air", "", True)], item="trim", service_class="air", found_before="")
    record = [opening("air", "", True)] * 75 + [opening("air", "", False)] * 25
    many = chance_found(record, item="trim", service_class="air", found_before="")
    assert many.points(unit).mean() == pytest.approx(many.mean, rel=1e-9)
    assert few.points(unit).std() > 3.0 * many.points(unit).std()


def test_after_a_find_the_next_opening_knows_of_it() -> None:
    events = tuple(
        Event(
            ref="", action=Action.REBUILD, done=day, reason=Reason.PLANNED, renewed=frozenset(renewed),
            as_found={"trim": state},
        )
        for day, renewed, state in ((5, {"packing", "trim"}, WORN), (8, {"packing"}, OK), (12, {"packing"}, OK))
    )  # fmt: skip
    valve = History(
        valve="V", service_class="air", items=("packing", "trim"), records_begin=0, installed=0, events=events
    )
    assert [one.found_before for one in openings_seen([valve], as_of=10) if one.item == "trim"] == ["", "worn"]
