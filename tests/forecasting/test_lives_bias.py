"""What each rule for lives is worth: simulated plants whose truth is known, treated rightly and wrongly.

The truth is a Weibull life of shape 2.5 and scale 6 years. A right treatment finds it within four standard errors, of
as many uncensored lives as there are failures: variances 0.608 shape^2 / n and 1.109 (scale / shape)^2 / n (Weibull
maximum likelihood). The wrong ones miss it by what an earlier simulation, of 80 valves at a time and made without this
code, gave; 20 times 80 valves stand here, so that chance is small beside the errors.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from math import sqrt

import numpy as np
import pytest

from forecasting.endings import Ending
from forecasting.fitting import Fit, fit_weibull
from forecasting.histories import Action, AsFound, Event, History, Reason
from forecasting.lives import lives_from_histories
from tests.forecasting import wrong_treatments as wrong

YEAR = 365.25
SHAPE, SCALE = 2.5, 6.0
VALVES = 20 * 80
RECORD = round(6 * YEAR)


def spans(seed: int) -> Iterator[int]:
    """Whole days that items last."""
    chance = np.random.default_rng(seed)
    while True:
        yield from np.maximum(1, np.rint(SCALE * YEAR * chance.weibull(SHAPE, 1000))).astype(int).tolist()


def failure(day: int) -> Event:
    """Rebuild for a failure that showed itself."""
    return Event(ref=f"E{day}", action=Action.REBUILD, done=day, reason=Reason.FAILURE)


def watched_from_new(number: int, events: list[Event]) -> History:
    """Valve with one item."""
    return History(
        valve=f"V{number}", service_class="wet", items=("trim",), records_begin=0, installed=0, events=tuple(events)
    )


def stated(before: list[int]) -> dict[str, int]:
    """State the last renewal before the records."""
    return {"trim": before[-1]}


def unknown(before: list[int]) -> dict[str, int]:
    """State nothing."""
    return {}


def old_plant(told: Callable[[list[int]], dict[str, int]] = stated) -> Iterator[History]:
    """Valves in service for 40 to 60 years, of which 6 are recorded, and what is told of those before."""
    lasts, chance = spans(1), np.random.default_rng(2)
    for number in range(VALVES):
        days = [-round(chance.uniform(40, 60) * YEAR)]
        while days[-1] <= RECORD:
            days.append(days[-1] + next(lasts))
        yield replace(
            watched_from_new(number, [failure(day) for day in days if 0 <= day <= RECORD]),
            installed=None,
            last_renewed=told([day for day in days if day < 0]),
        )


def rebuilt_at_four_years() -> Iterator[History]:
    """Valves watched from new for 12 years, rebuilt as planned when an item is 4 years old."""
    lasts = spans(3)
    for number in range(VALVES):
        day, events = 0, list[Event]()
        while True:
            life, interval = next(lasts), round(4 * YEAR)
            day += min(life, interval)
            if day > 2 * RECORD:
                break
            reason = Reason.FAILURE if life <= interval else Reason.PLANNED
            events.append(replace(failure(day), reason=reason))
        yield watched_from_new(number, events)


def inspected_every_two_years() -> Iterator[History]:
    """Valves watched from new for 12 years, whose failures show at an inspection and are mended that day."""
    lasts = spans(4)
    for number in range(VALVES):
        fails, events = next(lasts), []
        for day in range(round(2 * YEAR), 2 * RECORD + 1, round(2 * YEAR)):
            if fails > day:
                events.append(Event(ref=f"I{day}", action=Action.INSPECT, done=day, as_found={"trim": AsFound.OK}))
                continue
            failed = {"trim": AsFound.FAILED}
            events.append(replace(failure(day), reason=Reason.CONDITION, as_found=failed))
            fails = day + next(lasts)
        yield watched_from_new(number, events)


def exchanged_for_a_masked_cause() -> Iterator[History]:
    """Valves watched from new for 12 years, exchanged when packing or trim fails; every other time it is said which."""
    packings, trims = spans(5), spans(6)
    for number in range(VALVES):
        day, events = 0, list[Event]()
        while True:
            packing, trim = next(packings), next(trims)
            day += min(packing, trim)
            if day > 2 * RECORD:
                break
            failed = {"packing": AsFound.FAILED} if packing < trim else {"trim": AsFound.FAILED}
            said = failed if len(events) % 2 else {}
            events.append(replace(failure(day), action=Action.EXCHANGE, as_found=said))
        yield replace(watched_from_new(number, events), items=("packing", "trim"))


PLANTS: dict[str, tuple[Callable[[], Iterator[History]], int]] = {
    "started before the records": (old_plant, RECORD),
    "start unknown": (partial(old_plant, unknown), RECORD),
    "planned": (rebuilt_at_four_years, 2 * RECORD),
    "found at inspection": (inspected_every_two_years, 2 * RECORD),
    "masked": (exchanged_for_a_masked_cause, 2 * RECORD),
}

WRONG = {
    "entry ignored": ("started before the records", wrong.life_written_as(lambda entry, *end: (0.0, *end)), 2.71, 6.68),
    "clock started at the first record": (
        "started before the records",
        wrong.clock_set(lambda clock, history: clock.entered),
        1.54,
        4.78,
    ),
    "finished lives only": (
        "start unknown",
        wrong.life_dropped_if(lambda clock, ending, day: ending is Ending.CENSORED),
        2.77,
        3.38,
    ),
    "planned counted as failure": ("planned", wrong.ended({Ending.CENSORED: Ending.EXACT}), 8.05, 3.86),
    "dated at the find": ("found at inspection", wrong.ended({Ending.INTERVAL: Ending.EXACT}), 2.94, 7.07),
}


def fitted(plant: str) -> Fit:
    """Fit the trims of a plant."""
    histories, as_of = PLANTS[plant]
    return next(fit for fit in fit_weibull(lives_from_histories(histories(), as_of=as_of).lives) if fit.item == "trim")


def standard_errors_off(fit: Fit) -> float:
    """Distance from the truth, of shape or scale, whichever is farther, in standard errors."""
    assert fit.lifetime is not None
    shape_error = sqrt(0.608 / fit.failures) * SHAPE
    scale_error = sqrt(1.109 / fit.failures) * SCALE / SHAPE
    return max(abs(fit.lifetime.shape - SHAPE) / shape_error, abs(fit.lifetime.scale / YEAR - SCALE) / scale_error)


@pytest.mark.parametrize("plant", PLANTS)
def test_the_right_treatment_finds_the_truth(plant: str) -> None:
    """Within four standard errors."""
    assert standard_errors_off(fitted(plant)) < 4.0


@pytest.mark.parametrize("mutant", WRONG)
def test_the_wrong_treatment_misses_the_truth_by_the_known_amount(mutant: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Within a tenth of what the earlier simulation gave, and far from the truth."""
    plant, install, shape, scale = WRONG[mutant]
    install(monkeypatch)
    fit = fitted(plant)
    assert fit.lifetime is not None
    assert fit.lifetime.shape == pytest.approx(shape, rel=0.1)
    assert fit.lifetime.scale / YEAR == pytest.approx(scale, rel=0.1)
    assert standard_errors_off(fit) > 8.0


@pytest.mark.parametrize("taken_for", [Ending.EXACT, Ending.CENSORED], ids=["every item's", "nobody's"])
def test_a_masked_cause_is_neither_every_items_nor_nobodys(taken_for: Ending, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both miss the truth that sharing it finds."""
    wrong.ended({Ending.MASKED: taken_for})(monkeypatch)
    assert standard_errors_off(fitted("masked")) > 8.0
