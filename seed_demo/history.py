"""Lives of the items of one valve, from its installation to its removal or `as_of`: what truly happened."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from random import Random

from seed_demo.events import Event
from seed_demo.kits import kits_taken
from seed_demo.plant import ITEMS, POLICIES, SEED
from seed_demo.register import Valve
from seed_demo.true_lives import HIDDEN_SHARE, draw_life_days
from seed_demo.turnarounds import is_turnaround_year, starts_on, turnaround_code

_DAY = timedelta(1)
_FULL_STRIP_SHARE = 0.15  # packing failures for which the whole valve is opened all the same
_EXCHANGE_SHARE = 0.06
_LISTED_SHARE = 0.35  # valves stroked and looked at in a turnaround without being due


@dataclass(kw_only=True)
class _Item:
    renewed_on: date
    ends_on: date
    shows_itself: bool
    late_days: int


@dataclass(kw_only=True)
class _Place:
    valve: Valve
    rng: Random
    service_class: str
    items: dict[str, _Item]
    busy_until: date
    events: list[Event] = field(default_factory=list)


def history_of(valve: Valve, *, as_of: date) -> list[Event]:
    """Return all events done on this valve by `as_of`, in order of their days, older than the records too."""
    rng = Random(f"{SEED}/history/{valve.tag}")
    place = _Place(valve=valve, rng=rng, service_class=valve.first_class, items={}, busy_until=valve.installed_on)
    for item in ITEMS:
        _renew(place, item, on=valve.installed_on)
    end = min(as_of, valve.removed_on or as_of)
    for day, happens in _calendar(valve, end=end):
        _run_until(place, day)
        happens(place, day)
    _run_until(place, end)
    return sorted((event for event in place.events if event.done_on <= end), key=lambda event: event.done_on)


def _renew(place: _Place, item: str, *, on: date) -> None:
    life_days = draw_life_days(place.rng, place.service_class, item, survived_days=0)
    place.items[item] = _Item(
        renewed_on=on,
        ends_on=on + timedelta(life_days),
        shows_itself=place.rng.random() >= HIDDEN_SHARE[item],
        late_days=place.rng.randint(0, 14),
    )


def _calendar(valve: Valve, *, end: date) -> list[tuple[date, Callable[[_Place, date], None]]]:
    area = valve.area
    dated: list[tuple[date, Callable[[_Place, date], None]]] = []
    for year in range(valve.installed_on.year, end.year + 1):
        if is_turnaround_year(area, year):
            happens = partial(_turnaround, code=turnaround_code(area, year))
            dated.append((starts_on(area, year), happens))
    dated += [(day, partial(_reclassify, to=to)) for day, to in valve.moves]
    if valve.overhauled_on:
        dated.append((valve.overhauled_on, _overhaul))
    return sorted((pair for pair in dated if valve.installed_on < pair[0] <= end), key=lambda pair: pair[0])


def _run_until(place: _Place, day: date) -> None:
    """Let items fail and planned renewals fall due, one after the other, before this day."""
    while (step := min(_failures(place) + _planned(place), default=None)) and step[0] < day:
        found, reason, item = step
        done = found if reason == "planned" else found + timedelta(_waiting_days(place.rng))
        _open(place, {item}, found=found, done=done, reason=reason)


def _failures(place: _Place) -> list[tuple[date, str, str]]:
    free = place.busy_until + _DAY
    return [(max(item.ends_on, free), "failure", name) for name, item in place.items.items() if item.shows_itself]


def _planned(place: _Place) -> list[tuple[date, str, str]]:
    steps = []
    for name, item in place.items.items():
        policy, interval_days = POLICIES.get((place.service_class, name), ("corrective", 0))
        if policy == "predetermined":
            due = item.renewed_on + timedelta(interval_days + item.late_days)
            steps.append((max(due, place.busy_until + _DAY), "planned", name))
    return steps


def _turnaround(place: _Place, day: date, *, code: str) -> None:
    """Open what the policy lists; look at some others; what is found past its end is renewed."""
    if place.busy_until >= day:
        return
    rng = place.rng
    opened = day + timedelta(rng.randint(0, 16))
    listed = {name for name, item in place.items.items() if _is_due(place, name, item, day)}
    ended = {name for name, item in place.items.items() if item.ends_on <= opened}
    done = opened + timedelta(rng.randint(0, 3))
    if listed:
        _open(place, listed | ended, found=opened, done=done, reason="planned", turnaround=code)
    elif rng.random() < _LISTED_SHARE or place.valve.safety_related:
        _inspect(place, opened, code=code)
        if ended:
            later = opened + timedelta(rng.randint(1, 40))
            _open(place, ended, found=opened, done=later, reason="condition")
    elif ended:
        _open(place, ended, found=opened, done=done, reason="condition", turnaround=code)


def _is_due(place: _Place, name: str, item: _Item, day: date) -> bool:
    policy, interval_days = POLICIES.get((place.service_class, name), ("corrective", 0))
    return policy == "opportunistic" and (day - item.renewed_on).days >= interval_days


def _inspect(place: _Place, day: date, *, code: str) -> None:
    place.events.append(
        Event(
            tag=place.valve.tag,
            done_on=day,
            action="inspect",
            reason="planned",
            turnaround=code,
            as_found=tuple((name, _seen_from_outside(item, day)) for name, item in place.items.items()),
        )
    )
    place.busy_until = day


def _seen_from_outside(item: _Item, day: date) -> str:
    """Worn from nine tenths of its life on, whether past its limit or not."""
    spent = (day - item.renewed_on).days / (item.ends_on - item.renewed_on).days
    return "worn" if spent > 0.9 else "ok"


def _overhaul(place: _Place, day: date) -> None:
    day = max(day, place.busy_until + _DAY)
    _open(place, set(ITEMS), found=day, done=day, reason="planned")


def _reclassify(place: _Place, day: date, *, to: str) -> None:
    """Let the valve go on in another service: what has survived until now wears by the new one's law."""
    day = max(day, place.busy_until + _DAY)
    event = Event(tag=place.valve.tag, done_on=day, action="reclassify", service_class_from=place.service_class)
    place.events.append(event)
    place.service_class, place.busy_until = to, day
    for name, item in place.items.items():
        if item.ends_on > day:
            age_days = (day - item.renewed_on).days
            life_days = draw_life_days(place.rng, to, name, survived_days=age_days)
            item.ends_on = item.renewed_on + timedelta(life_days)


def _open(place: _Place, causes: set[str], *, found: date, done: date, reason: str, turnaround: str = "") -> None:
    rng, valve = place.rng, place.valve
    renewed = _scope(rng, causes, reason=reason)
    exchanged = reason == "failure" and renewed >= {"trim"} and rng.random() < _EXCHANGE_SHARE
    scope = tuple(name for name in ITEMS if name in renewed or exchanged)
    ended = tuple(name for name in scope if place.items[name].ends_on <= found)
    place.events.append(
        Event(
            tag=valve.tag,
            found_on=found,
            done_on=done,
            action="exchange" if exchanged else "rebuild",
            reason=reason,
            turnaround=turnaround,
            as_found=tuple((name, _as_found(place.items[name], found, reason)) for name in scope),
            last_ok_on=_last_walk(place, scope, found),
            renewed=scope,
            kits_used=() if exchanged else kits_taken(valve.design, scope, on=done),
            serial_fitted=f"SN{rng.randint(20000, 99999)}" if exchanged else "",
            causes=ended,
        )
    )
    place.busy_until = done
    for name in scope:
        _renew(place, name, on=done)


def _scope(rng: Random, causes: set[str], *, reason: str) -> set[str]:
    if reason == "failure" and causes == {"packing"} and rng.random() < _FULL_STRIP_SHARE:
        return {"packing", "trim"}
    return causes | {"packing"} if "trim" in causes else set(causes)


def _as_found(item: _Item, found: date, reason: str) -> str:
    """Worn means past its limit: what nobody noticed before the valve was opened for something else."""
    if item.ends_on > found:
        return "ok"
    unnoticed = reason == "failure" and not item.shows_itself
    return "worn" if unnoticed or reason == "condition" else "failed"


def _last_walk(place: _Place, scope: tuple[str, ...], found: date) -> date | None:
    """Return the last yearly walk-down that can have seen the opened items well, if there was one."""
    walk = date(found.year, 1 + int(place.valve.tag[3:7]) % 12, 15)
    ends = [place.items[name].ends_on for name in scope if place.items[name].ends_on <= found]
    while walk >= min([found, *ends]):
        walk = walk.replace(year=walk.year - 1)
    return walk if walk >= max(place.items[name].renewed_on for name in scope) else None


def _waiting_days(rng: Random) -> int:
    return 0 if rng.random() < 0.45 else min(40, 1 + int(rng.expovariate(1 / 8)))
