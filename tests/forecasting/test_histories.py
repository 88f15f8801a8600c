"""What histories and lives refuse at their constructors."""

from dataclasses import replace

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.histories import Action, Event, History, Reason
from forecasting.lives import lives_from_histories, lives_of_one_sample
from tests.forecasting.valve_record import NEW, rebuild


def test_an_event_is_found_before_it_is_done() -> None:
    """Found on the day it was done, where nothing else is said."""
    assert rebuild(100, Reason.FAILURE).found_day == 100
    assert rebuild(100, Reason.FAILURE, found=90).found_day == 90
    with pytest.raises(InvalidInput, match="`found` must not be after `done`, got 110 > 100 in E100"):
        rebuild(100, Reason.FAILURE, found=110)


def test_a_valve_has_items() -> None:
    """None at all is refused."""
    with pytest.raises(InvalidInput, match="at least one maintainable item, got none for V1"):
        History(valve="V1", service_class="wet", items=(), records_begin=0)


def test_a_plant_names_each_valve_once() -> None:
    """Two histories of one tag can't both be true."""
    with pytest.raises(InvalidInput, match="each valve once, got V1 twice"):
        lives_from_histories([NEW, replace(NEW, installed=5)], as_of=10)


@pytest.mark.parametrize(
    ("entry", "lower", "upper"),
    [(-1, 5, 5), (6, 5, 5), (0, 5, 4), (0, 0, 0), (0, np.inf, np.inf)],
    ids=["entry below 0", "entry after the end", "ends before it ends", "exact at 0", "end never seen"],
)
def test_impossible_ages_are_refused(entry: float, lower: float, upper: float) -> None:
    """The message shows the first bad life."""
    with pytest.raises(InvalidInput, match=f"got entry .{entry}.*, lower .{lower}.*, upper .{upper}"):
        lives_of_one_sample(entry=[0, entry], lower=[3, lower], upper=[3, upper])


def test_columns_have_one_length() -> None:
    """One upper age is missing."""
    with pytest.raises(InvalidInput, match="one length"):
        lives_of_one_sample(lower=[3, 4], upper=[3])


def test_no_valves_are_no_lives() -> None:
    """An empty plant is no error."""
    fleet = lives_from_histories([], as_of=10)
    assert (len(fleet.lives), fleet.lives.samples, fleet.ages, fleet.findings) == (0, (), (), ())


def test_a_reclassification_renews_nothing() -> None:
    """Whatever it names."""
    event = Event(ref="R", action=Action.RECLASSIFY, done=5, renewed=frozenset({"trim"}), class_from="dry")
    assert [age.age for age in lives_from_histories([replace(NEW, events=(event,))], as_of=10).ages] == [10, 10]
