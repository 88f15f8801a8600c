"""Areas and designs of a plant compared on the way from histories to a forecast."""

import numpy as np

from forecasting.histories import Action, Event, History, Reason
from forecasting.pipeline import DesignItem, Plant, forecast

DAYS = 4_000


def history(number: int, *, mean_life: float) -> History:
    """One seat that fails after Weibull lives of shape 2.5."""
    rng, day, events = np.random.default_rng(600 + number), 0, []
    while (day := day + max(1, round(mean_life * float(rng.weibull(2.5))))) < DAYS:
        events.append(Event(ref=f"{number}-{day}", action=Action.REBUILD, done=day, reason=Reason.FAILURE))
    return History(
        valve=f"V{number:02}", service_class="air", items=("seat",), records_begin=0, installed=0, events=tuple(events)
    )


def plant(mean_lives: list[float]) -> Plant:
    """Four areas of equally many valves, two designs by turns."""
    histories = tuple(history(number, mean_life=life) for number, life in enumerate(mean_lives))
    tags = [one.valve for one in histories]
    area = len(tags) // 4
    seat = DesignItem(item="seat", kit="K", qty=1, renews=frozenset({"seat"}))
    return Plant(
        as_of=DAYS,
        histories=histories,
        designs={tag: f"D{number % 2}" for number, tag in enumerate(tags)},
        design_items={"D0": (seat,), "D1": (seat,)},
        intervals={},
        windows=((0.0, 365.0),),
        areas={f"area {place}": frozenset(tags[place * area : (place + 1) * area]) for place in range(4)},
        questions=(),
    )


def test_the_area_that_wears_seats_out_is_named_and_no_other_group() -> None:
    """Lives half as long are 2^2.5 = 5.7 times the hazard; rows of lives and tags stay together."""
    made = forecast(plant([700.0] * 6 + [1400.0] * 18))
    worst = min(made.contrasts, key=lambda one: one.p)
    assert (worst.service_class, worst.item, worst.grouping, worst.group) == ("air", "seat", "area", "area 0")
    assert worst.lower < 2.0**2.5 < worst.upper
    assert worst.p_holm < 1e-4
    assert {one.group for one in made.contrasts if one.p_holm < 0.05 and one.hazard_ratio > 1.0} == {"area 0"}


def test_all_areas_and_one_of_two_designs_are_compared_and_corrected_together() -> None:
    """All wear alike; by bad luck of this draw a design gets p = 0.0025: test_heterogeneity.py measures how often."""
    made = forecast(plant([1000.0] * 24))
    assert [one.grouping for one in made.contrasts] == ["area"] * 4 + ["design"]
    smallest = min(made.contrasts, key=lambda one: one.p)
    assert smallest.p_holm == 5.0 * smallest.p
    assert smallest.hazard_ratio > 1.0, "of two designs the worse is named"
