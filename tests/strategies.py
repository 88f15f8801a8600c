"""Hypothesis generators: histories that hold what real records hold, and lives as columns.

Days are even, so that in what comes out an interval of one day can only be a life of 0 days (rule 9).
"""

from collections.abc import Mapping

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st

from forecasting.histories import WHOLE_VALVE, Action, AsFound, Event, History, Reason
from forecasting.lives import Lives

CI = settings(max_examples=500, derandomize=True, deadline=None)
settings.register_profile("ci", CI)

DESIGNS = ((WHOLE_VALVE,), ("trim",), ("packing", "trim"), ("actuator", "packing", "trim"))
CLASSES = ("air", "steam", "wet")
SPAN = 240
"""Last day on which anything is done."""


def days(*, first: int = -60, last: int = SPAN, remainder: int = 0) -> st.SearchStrategy[int]:
    """Days that leave this remainder when divided by 6, so that days of two kinds never coincide."""
    return st.integers((first + 5 - remainder) // 6, (last - remainder) // 6).map(lambda k: 6 * k + remainder)


def named(items: tuple[str, ...]) -> tuple[str, ...]:
    """Items an event may name; of a valve nobody described also its parts."""
    return (WHOLE_VALVE, "packing", "trim") if items == (WHOLE_VALVE,) else items


@st.composite
def events(draw: st.DrawFn, items: tuple[str, ...], done: int, ref: str, found_remainder: int) -> Event:
    """Anything that may be written down about one day at a valve."""
    action = draw(st.sampled_from(Action))
    found = draw(st.none() | days(last=done, first=done - 60, remainder=found_remainder))
    some = st.frozensets(st.sampled_from(named(items)))
    return Event(
        ref=ref,
        action=action,
        done=done,
        found=found,
        reason=draw(st.sampled_from(Reason)),
        renewed=draw(st.none() | some),
        kits_renew=draw(st.none() | some),
        as_found=draw(st.dictionaries(st.sampled_from(named(items)), st.sampled_from(AsFound))),
        last_ok=draw(st.none() | days(first=done - 90, last=done + 6)),
        class_from=draw(st.sampled_from((None, *CLASSES))) if action is Action.RECLASSIFY else None,
    )


@st.composite
def _histories(draw: st.DrawFn, *, valve: str, unique: bool, found: int, stated: int) -> History:
    """One valve; `found` and `stated` are the remainders of those days."""
    items = draw(st.sampled_from(DESIGNS))
    size = draw(st.integers(0, 8))
    done = draw(st.lists(days(), min_size=size, max_size=size, unique=unique))
    last_renewed: Mapping[str, int] = draw(st.dictionaries(st.sampled_from(items), days(remainder=stated), max_size=2))
    return History(
        valve=valve,
        service_class=draw(st.sampled_from(CLASSES)),
        items=items,
        records_begin=draw(days(last=60)),
        installed=draw(st.none() | days(last=60)),
        removed=draw(st.none() | days(first=120) | days()),
        last_renewed=last_renewed,
        events=tuple(draw(events(items, day, f"E{number}", found)) for number, day in enumerate(done)),
    )


def histories(valve: str = "V1") -> st.SearchStrategy[History]:
    """Any history: several events on one day, impossible dates, unknown starts."""
    return _histories(valve=valve, unique=False, found=0, stated=0)


def histories_of_different_days(valve: str = "V1") -> st.SearchStrategy[History]:
    """Histories in which no two things are done, found or stated on one day, except where watching begins or ends."""
    return _histories(valve=valve, unique=True, found=2, stated=4)


def cut_offs() -> st.SearchStrategy[int]:
    """Days up to which a record is read."""
    return days(first=180, last=SPAN + 30) | days(first=0)


@st.composite
def _one_cause(draw: st.DrawFn) -> list[tuple[float, ...]]:
    """Sample, entry, lower and upper age of the lives that one cause ended, or may have."""
    kind = draw(st.sampled_from(("censored", "exact", "interval", "left")))
    suspects = 2 if kind != "censored" and draw(st.integers(0, 4)) == 0 else 1
    lives_of_cause = []
    for sample in draw(st.lists(st.integers(0, 2), min_size=suspects, max_size=suspects, unique=True)):
        entry, lower, upper = sorted(draw(st.lists(st.integers(0, 2000), min_size=3, max_size=3, unique=True)))
        ages = {
            "censored": (entry, lower, np.inf),
            "exact": (entry, lower, lower),
            "interval": (entry, lower, upper),
            "left": (entry, entry, upper),
        }
        lives_of_cause.append((sample, *map(float, ages[kind])))
    return lives_of_cause


@st.composite
def lives(draw: st.DrawFn, min_causes: int = 1, max_causes: int = 10) -> Lives:
    """Exact, right-, left-, interval-censored and left-truncated lives of three samples, some causes masked."""
    causes = draw(st.lists(_one_cause(), min_size=min_causes, max_size=max_causes))
    sample, entry, lower, upper = np.array([life for cause in causes for life in cause]).T
    return Lives(
        samples=(("air", "actuator"), ("air", "packing"), ("air", "trim")),
        sample=sample.astype(np.int64),
        entry=entry,
        lower=lower,
        upper=upper,
        cause=np.repeat(np.arange(len(causes)), [len(cause) for cause in causes]),
    )
