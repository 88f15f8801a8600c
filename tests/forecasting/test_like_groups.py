"""Groups that run alike are counted together: each valve takes what it takes if its group is counted by itself."""

from dataclasses import replace

import numpy as np
import pytest

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan
from forecasting.kit_dates import kit_dates
from forecasting.kit_points import KitPoints, kits_at_points
from forecasting.lifetimes import Weibull
from forecasting.like_groups import families

INF = float("inf")
YEAR, SPRING, LATER = (0.0, 365.0), (60.0, 150.0), (400.0, 700.0)
WINDOWS = (YEAR, SPRING, LATER)
DATES = kit_dates([], {}, designs={}, as_of=800)
WEIGHTS = np.array([0.25, 0.75])
CENTRE = {"packing": Weibull(scale=760.0, shape=1.6), "trim": Weibull(scale=1400.0, shape=2.3)}
POINTS = [
    {item: Weibull(scale=times * one.scale, shape=one.shape) for item, one in CENTRE.items()} for times in (0.8, 1.1)
]


def _group(name: str, *ages: tuple[int, int], opportunity: float = INF, tag: str = "", **more: object) -> Group:
    """Valves of a design of this name, by the ages of packing and trim; its kits bear its name."""
    renews = {"packing": frozenset({"packing"}), "trim": frozenset({"trim", "packing"})}
    plans = tuple(
        ItemPlan(
            item=item,
            lifetime=CENTRE[item],
            interval=INF,
            opportunity=opportunity,
            kit=f"{item} {name}",
            qty=1,
            renews=renews[item],
        )
        for item in CENTRE
    )
    stand = ItemAge(valve="", item="", service_class="c", age=0, survived=0, in_place=2000, awaits_renewal=False)
    standing = tuple(
        {
            item: replace(stand, valve=f"{tag or name}{row}", item=item, age=age, survived=age)
            for item, age in zip(CENTRE, pair, strict=True)
        }
        for row, pair in enumerate(ages)
    )
    tags = tuple(f"{tag or name}{row}" for row in range(len(ages)))
    group = Group(plans=plans, valves=tags, ages=standing, service_class="c", design=name)
    return replace(group, **more)  # type: ignore[arg-type]


def _made(*groups: Group) -> dict[tuple[str, str], tuple[KitPoints, int]]:
    """By kit and valve: what was made, and the row of the valve."""
    kits = {plan.kit for group in groups for plan in group.plans}
    made = kits_at_points(
        groups, POINTS, WINDOWS, weights=WEIGHTS, running=dict.fromkeys(kits, [YEAR, LATER]), dates=DATES
    )
    return {(one.over.kit, tag): (one, row) for one in made for row, tag in enumerate(one.over.valves)}


SITES = [
    _group("A", (10, 300), (400, 900), (10, 300)),
    _group("A", (10, 300), (250, 250), ends=100.0, tag="R"),
    _group("B", (10, 300), (610, 1000), turnarounds=(90.0,), ends=500.0),
    _group("B", (30, 30), turnarounds=(200.0,), tag="S"),
]
"""Kept correctively: two designs, two sites, some removed on known days."""


def test_designs_sites_and_removal_dates_make_one_family_of_what_is_kept_correctively() -> None:
    (family,) = families(SITES, apart=set())
    assert len(family.group.valves) == 5  # stands: (10, 300) four times, and four others
    assert [one.valves for one in family.designs] == [("R0", "R1", "A0", "A1", "A2"), ("B0", "B1", "S0")]


def test_a_valve_of_which_something_is_known_is_a_kind_of_its_own() -> None:
    (family,) = families(SITES[:1], apart={"A2"})
    assert family.designs[0].first == ("A0", "A1", "A2")
    (family,) = families(SITES[:1], apart=set())
    assert family.designs[0].first == ("A0", "A1")


@pytest.mark.parametrize("opportunity", [INF, 300.0])
def test_counted_together_each_valve_takes_what_it_takes_alone(opportunity: float) -> None:
    groups = [
        _group("A", (10, 300), (400, 900), opportunity=opportunity, turnarounds=(90.0, 450.0)),
        _group("B", (10, 300), (250, 250), opportunity=opportunity, turnarounds=(90.0, 450.0), ends=100.0),
        _group("C", (10, 300), (610, 1000), opportunity=opportunity, turnarounds=(200.0,), ends=500.0),
        _group("D", (0, 0), opportunity=opportunity, turnarounds=(200.0,), begins=120.0),
    ]
    together = _made(*groups)
    for group in groups:
        for key, (alone, row) in _made(group).items():
            found, place = together[key]
            for window in WINDOWS:
                mine, theirs = (one.over.probabilities[window][at] for one, at in ((found, place), (alone, row)))
                width = min(len(mine), len(theirs))
                assert mine[:width] == pytest.approx(theirs[:width], abs=2e-5)
                assert mine.sum() == pytest.approx(1.0, abs=1e-9)
                for kind in ("unplanned", "planned", "turnaround"):
                    seen, told = (getattr(one.over, kind)[window] for one in (found, alone))
                    assert seen[place] == pytest.approx(told[row], abs=5e-5)
            for window in (YEAR, LATER):
                mine, theirs = (one.at.running[window][at] for one, at in ((found, place), (alone, row)))
                assert mine[:3] == pytest.approx(theirs[:3], abs=5e-5)


def test_a_valve_takes_nothing_after_it_is_removed() -> None:
    made = _made(*SITES)
    (over,) = {id(one.over): one.over for (kit, _), (one, _) in made.items() if kit == "packing A"}.values()
    removed = over.valves.index("R0")
    assert over.unplanned[LATER][removed] == 0.0 < over.unplanned[LATER].sum()
    assert over.probabilities[LATER][removed, 0] == pytest.approx(1.0, abs=1e-9)


def test_turnarounds_that_renew_something_keep_groups_apart() -> None:
    first = _group("A", (10, 300), opportunity=300.0, turnarounds=(90.0,))
    other = _group("B", (10, 300), opportunity=300.0, turnarounds=(200.0,))
    assert len(families([first, other], apart=set())) == 2
    assert len(families([first, replace(other, turnarounds=(90.0,))], apart=set())) == 1
