"""What a doubtful event does to the forecast: one Newton step beside a fit made anew without the event."""

from dataclasses import replace
from math import expm1, log

import numpy as np
import pytest

from forecasting.finding_effects import effects_of_findings
from forecasting.histories import Action, Event, Finding, History, Reason
from forecasting.lives import lives_from_histories
from forecasting.pooling import InUse, lifetimes_in_use

AS_OF = 4000
SAMPLE = ("wet", "seat")


def plant(seed: int) -> list[History]:
    """Forty valves of one item, failures of Weibull lives with shape 2 and scale 900 days, watched for 4,000 days."""
    rng = np.random.default_rng(seed)
    return [
        History(
            valve=f"V{number:02d}",
            service_class=SAMPLE[0],
            items=(SAMPLE[1],),
            records_begin=0,
            installed=0,
            events=tuple(
                Event(ref=f"E{day}", action=Action.REBUILD, done=day, reason=Reason.FAILURE)
                for day in np.cumsum(1 + (900 * rng.weibull(2.0, 12)).astype(int)).tolist()
                if day <= AS_OF
            ),
        )
        for number in range(40)
    ]


def in_use(histories: list[History]) -> tuple[InUse, ...]:
    return lifetimes_in_use(lives_from_histories(histories, as_of=AS_OF).lives, wanted=[SAMPLE])


@pytest.mark.parametrize("seed", range(3))
def test_the_step_is_close_to_a_new_fit(seed: int) -> None:
    """A duplicate is put in, its effect told, and the plant fitted again without it: within a fifth of the change."""
    clean = plant(seed)
    first = clean[0].events[0]
    twice = replace(first, ref="TWICE", done=first.done + 3)
    doubled = [replace(clean[0], events=(*clean[0].events, twice)), *clean[1:]]
    used = in_use(doubled)
    finding = Finding(kind="likely_duplicate", valve="V00", ref="TWICE", detail="", treatment="")
    told = effects_of_findings([finding], doubled, used, kits_per_year={SAMPLE: 18.0}, as_of=AS_OF)[0]
    (before,), (after,) = used, in_use(clean)
    assert before.lifetime is not None
    assert after.lifetime is not None
    change = log(after.lifetime.scale / before.lifetime.scale)
    assert change > 0
    assert told.scale_change is not None
    assert abs(log(1.0 + told.scale_change) - change) < 0.2 * change
    assert told.kits_per_year_change == pytest.approx(18.0 * expm1(-log(1.0 + told.scale_change)))


def test_an_event_that_ends_no_life_does_nothing() -> None:
    histories = plant(0)
    look = Event(ref="LOOK", action=Action.INSPECT, done=50)
    seen = [replace(histories[0], events=(*histories[0].events, look)), *histories[1:]]
    finding = Finding(kind="x", valve="V00", ref="LOOK", detail="", treatment="")
    told = effects_of_findings([finding], seen, in_use(seen), kits_per_year={}, as_of=AS_OF)[0]
    assert (told.scale_change, told.kits_per_year_change, told.reason) == (0.0, 0.0, "")


def test_an_event_without_a_name_of_its_own_has_no_effect_told() -> None:
    histories = plant(0)
    finding = Finding(kind="x", valve="V00", ref="NONE", detail="", treatment="")
    assert effects_of_findings([finding], histories, in_use(histories), kits_per_year={}, as_of=AS_OF) == {}
