"""Invents the valves of the register from the plant's groups."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from seed_demo.plant import AREA, GROUPS, SEED, Area, Group

_CONSEQUENCES = ("stops", "curtails", "tolerable")
_WEIGHTS = {"BFW-LETDOWN": (6, 3, 1), "CARBAMATE": (5, 4, 1), "COLD-NH3": (3, 5, 2), "CLEAN-WATER": (1, 3, 6)}
_RECLASSIFIED = {  # area and first service: the services some of its valves were moved to, in turn
    ("CO2", "SOLVENT"): (("WET-CO2",), ("WET-CO2",), ("WET-CO2", "SOLVENT")),
    ("UREA", "CLEAN-WATER"): (("CARBAMATE",), ("CARBAMATE",), ("WET-CO2", "CARBAMATE")),
    ("AMMONIA", "CLEAN-WATER"): (("HP-STEAM",), ("HP-STEAM",)),
}


@dataclass(frozen=True, kw_only=True)
class Valve:
    """A valve as it truly is; what the register admits of it is decided when it is written."""

    tag: str
    serial: str
    design: str
    area: Area
    first_class: str
    moves: tuple[tuple[date, str], ...]
    installed_on: date
    installation_known: bool
    overhauled_on: date | None
    renewals_stated: bool
    records_begin_on: date | None
    removed_on: date | None
    consequence: str
    safety_related: bool
    isolable_on_run: bool
    proof_test_due_on: date | None

    @property
    def watched_from(self) -> date:
        """The first day whose events the records hold."""
        return self.records_begin_on or self.area.written_since


def invent_valves(*, as_of: date) -> list[Valve]:
    """Return the valves installed by `as_of`, in tag order; each has its own random stream."""
    valves: list[Valve] = []
    for area in AREA.values():
        groups = [group for group in GROUPS if group.area == area.code]
        number = area.digit * 1000
        for group in groups:
            for position in range(group.count):
                number += 1
                valves.append(_invent(group, position=position, number=number, as_of=as_of))
    return [valve for valve in valves if valve.installed_on <= as_of]


def _invent(group: Group, *, position: int, number: int, as_of: date) -> Valve:
    rng = Random(f"{SEED}/valve/{number}")
    area = AREA[group.area]
    suffix = "A/B" if number % 37 == 5 else ""
    safety = rng.random() < 0.05
    valve = Valve(
        tag=f"{rng.choice(('FV', 'PV', 'LV', 'TV', 'HV'))}-{number}{suffix}",
        serial=f"SN{rng.randint(20000, 99999)}" if rng.random() < 0.92 else "",
        design=group.designs[position % len(group.designs)],
        area=area,
        first_class=group.service_class,
        moves=(),
        installed_on=_day_between(rng, date(group.built_from, 2, 1), date(group.built_to, 11, 30)),
        installation_known=True,
        overhauled_on=None,
        renewals_stated=False,
        records_begin_on=None,
        removed_on=None,
        consequence=rng.choices(_CONSEQUENCES, _WEIGHTS.get(group.service_class, (2, 4, 4)))[0],
        safety_related=safety,
        isolable_on_run=rng.random() < 0.6,
        proof_test_due_on=as_of + timedelta(rng.randint(-25, 400)) if safety else None,
    )
    valve = _with_past(valve, rng)
    return _with_turns(valve, rng, position=position, as_of=as_of)


def _with_past(valve: Valve, rng: Random) -> Valve:
    """Decide what is known of the years before the records."""
    begin = valve.area.written_since
    if valve.installed_on >= begin:
        return valve
    luck = rng.random()
    if luck < 0.12:
        return replace(valve, overhauled_on=begin - timedelta(rng.randint(20, 500)), renewals_stated=True)
    if luck < 0.3:
        return replace(valve, renewals_stated=True)
    return replace(valve, installation_known=luck > 0.36)


def _with_turns(valve: Valve, rng: Random, *, position: int, as_of: date) -> Valve:
    """Decide whether the valve changed service, came late into the records, or was removed."""
    targets = _RECLASSIFIED.get((valve.area.code, valve.first_class), ())
    if position < len(targets):
        years = rng.sample((2018, 2019, 2020, 2021, 2022, 2023), len(targets[position]))
        days = [_day_between(rng, date(year, 2, 1), date(year, 11, 30)) for year in sorted(years)]
        planned = zip(days, targets[position], strict=True)
        moves = [(day, to) for day, to in planned if valve.installed_on < day <= as_of]
        return replace(valve, moves=tuple(moves))
    luck = rng.random()
    if luck < 0.015 and valve.installed_on < date(2014, 1, 1):
        late = _day_between(rng, date(2018, 1, 1), date(2020, 12, 31))
        return replace(valve, records_begin_on=late, overhauled_on=None, renewals_stated=False)
    if luck > 0.98:
        removed = _day_between(rng, max(date(2018, 1, 1), valve.installed_on), date(2025, 12, 31))
        return replace(valve, removed_on=removed if removed <= as_of else None)
    return valve


def _day_between(rng: Random, first: date, last: date) -> date:
    return first + timedelta(rng.randint(0, (last - first).days))
