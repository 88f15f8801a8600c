"""Demand mixed over points of what is known of lifetimes: beside simulation, and beside counting at every point."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from forecasting.arrays import FloatArray, IntArray
from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, kits_taken
from forecasting.demand import Demand, demand_of_classes, kit_demand, mixed_demands
from forecasting.kit_dates import kit_dates
from forecasting.kit_points import KitPoints, kits_at_points
from forecasting.lifetime_points import LifetimePoints, even_points
from forecasting.lifetimes import Weibull
from forecasting.plant_demand import Asking, plant_demand
from forecasting.tilting import tilted

YEAR = (0.0, 365.0)
MONTH = (365.0, 395.0)
DATES = kit_dates([], {}, designs={}, as_of=800)
WEIGHTS = np.array([0.1, 0.2, 0.3, 0.4])
SCALES = {"packing": np.array([500.0, 650.0, 800.0, 1000.0]), "trim": np.array([1500.0, 1100.0, 1700.0, 1300.0])}
SHAPES = {"packing": np.array([1.3, 1.8, 1.5, 1.6]), "trim": np.array([2.4, 2.0, 2.2, 2.6])}
CENTRE = {"packing": Weibull(scale=760.0, shape=1.6), "trim": Weibull(scale=1400.0, shape=2.3)}
RENEWS = {"packing": frozenset({"packing"}), "trim": frozenset({"trim", "packing"})}
POINTS = [
    {item: Weibull(scale=float(SCALES[item][k]), shape=float(SHAPES[item][k])) for item in CENTRE} for k in range(4)
]
AGES = {"packing": (0, 60, 130, 250, 310, 400, 520, 610), "trim": (300, 60, 900, 250, 700, 1100, 520, 1000)}
VALVES = tuple(f"V{number}" for number in range(8))
EVERY = frozenset(VALVES)


def _group(*, interval: float = np.inf, turnarounds: tuple[float, ...] = ()) -> Group:
    plans = tuple(
        ItemPlan(
            item=item,
            lifetime=CENTRE[item],
            interval=interval if item == "packing" else np.inf,
            opportunity=800.0 if turnarounds else np.inf,
            kit=item,
            qty=1,
            renews=RENEWS[item],
        )
        for item in CENTRE
    )
    ages = tuple(
        {
            item: ItemAge(
                valve=valve,
                item=item,
                service_class="c",
                age=AGES[item][row],
                survived=AGES[item][row],
                in_place=2000,
                awaits_renewal=False,
            )
            for item in CENTRE
        }
        for row, valve in enumerate(VALVES)
    )
    return Group(plans=plans, valves=VALVES, ages=ages, service_class="c", turnarounds=turnarounds)


def _made(group: Group) -> dict[str, KitPoints]:
    made = kits_at_points([group], POINTS, [YEAR, MONTH], weights=WEIGHTS, running={"trim": [YEAR]}, dates=DATES)
    return {one.over.kit: one for one in made}


def _mixed(one: KitPoints, window: tuple[float, float], *, weights: FloatArray = WEIGHTS) -> Demand:
    """Demand of all valves in one window."""
    return mixed_demands([one.at], [window], valves=EVERY, weights=weights)[window]


@pytest.fixture(scope="module")
def corrective() -> dict[str, KitPoints]:
    return _made(_group())


def _remaining(rng: np.random.Generator, age: FloatArray, point: int, item: str) -> FloatArray:
    scale, shape = SCALES[item][point], SHAPES[item][point]
    spent = (age / scale) ** shape
    return np.asarray(scale * (spent + rng.exponential(size=age.shape)) ** (1.0 / shape) - age)


def _simulated(rng: np.random.Generator, point: int, plants: int) -> dict[str, IntArray]:
    """Play plants event by event at one point; kits taken in the year."""
    shape = (plants, len(VALVES))
    trim = _remaining(rng, np.tile(np.array(AGES["trim"], dtype=float), (plants, 1)), point, "trim")
    packing = _remaining(rng, np.tile(np.array(AGES["packing"], dtype=float), (plants, 1)), point, "packing")
    taken = {item: np.zeros(shape, dtype=np.int64) for item in CENTRE}
    while (np.minimum(trim, packing) <= YEAR[1]).any():
        now, opened = np.minimum(trim, packing), trim <= packing
        due, new = now <= YEAR[1], np.zeros(shape)
        taken["trim"] += due & opened
        taken["packing"] += due & ~opened
        packing = np.where(due, now + _remaining(rng, new, point, "packing"), packing)
        trim = np.where(due & opened, now + _remaining(rng, new, point, "trim"), trim)
    return {item: kits.sum(axis=1) for item, kits in taken.items()}


@pytest.fixture(scope="module")
def simulated() -> dict[str, FloatArray]:
    """Shares of 0, 1, ... 63 kits; the same number of plants at each point, weighed afterwards."""
    rng = np.random.default_rng(1)
    played = [_simulated(rng, point, 25_000) for point in range(4)]
    return {
        item: np.asarray(
            sum(
                weight * np.bincount(one[item], minlength=64) / 25_000
                for weight, one in zip(WEIGHTS, played, strict=True)
            )
        )
        for item in CENTRE
    }


def _apart(demand: Demand, shares: FloatArray) -> float:
    """Largest distance of two cumulative distributions."""
    mine = np.zeros(len(shares))
    mine[: len(demand.probabilities)] = demand.probabilities
    return float(np.abs(np.cumsum(mine) - np.cumsum(shares)).max())


@pytest.mark.parametrize("kit", ["packing", "trim"])
def test_the_mixture_is_what_plants_with_drawn_lifetimes_take(
    corrective: dict[str, KitPoints], simulated: dict[str, FloatArray], kit: str
) -> None:
    found = _mixed(corrective[kit], YEAR)
    assert _apart(found, simulated[kit]) < 0.008


def test_mixing_every_valve_by_itself_would_be_found_out(
    corrective: dict[str, KitPoints], simulated: dict[str, FloatArray]
) -> None:
    too_sure = kit_demand([corrective["packing"].over], YEAR, valves=EVERY)
    assert _apart(too_sure, simulated["packing"]) > 0.03
    found = _mixed(corrective["packing"], YEAR)
    assert too_sure.mean == pytest.approx(found.mean, rel=1e-9)


def test_leaving_out_the_weights_would_be_found_out(
    corrective: dict[str, KitPoints], simulated: dict[str, FloatArray]
) -> None:
    wrong = _mixed(corrective["packing"], YEAR, weights=np.full(4, 0.25))
    assert _apart(wrong, simulated["packing"]) > 0.03


@pytest.mark.parametrize("group", [_group(), _group(interval=365.0), _group(turnarounds=(100.0, 380.0))])
def test_what_is_moved_from_the_centre_is_near_what_is_counted_at_each_point(group: Group) -> None:
    made = _made(group)
    for kit in CENTRE:
        for window in (YEAR, MONTH):
            counted = np.zeros(64)
            for weight, lifetimes in zip(WEIGHTS, POINTS, strict=True):
                plans = tuple(replace(plan, lifetime=lifetimes[plan.item]) for plan in group.plans)
                (one,) = (taken for taken in kits_taken(replace(group, plans=plans), [window]) if taken.kit == kit)
                exact = kit_demand([one], window, valves=EVERY).probabilities
                counted[: len(exact)] += weight * exact
            found = _mixed(made[kit], window)
            assert _apart(found, counted) < 0.01, (kit, window)
            assert found.mean == pytest.approx(counted @ np.arange(64), rel=3e-3)


def test_every_row_sums_to_one_at_turnarounds_and_planned_dates_that_coincide() -> None:
    made = _made(_group(interval=365.0, turnarounds=(365.0,)))
    for one in made.values():
        for rows in (*one.at.probabilities.values(), *one.at.running.values(), *one.over.probabilities.values()):
            assert np.abs(rows.sum(axis=1) - 1.0).max() < 1e-9
        assert mixed_demands([one.at], [YEAR], valves=EVERY, weights=WEIGHTS)[
            YEAR
        ].probabilities.sum() == pytest.approx(1.0)


def test_a_valve_expects_what_it_adds_to_demand(corrective: dict[str, KitPoints]) -> None:
    one = corrective["trim"]
    found = mixed_demands([one.at], [YEAR], valves=frozenset({"V3"}), weights=WEIGHTS)[YEAR]
    assert found.mean == pytest.approx(one.over.unplanned[YEAR][3], rel=1e-6)
    assert found.probabilities[:3] == pytest.approx(one.over.probabilities[YEAR][3, :3], abs=1e-9)


def test_groups_of_one_class_share_their_points_and_other_classes_do_not() -> None:
    whole = _group()
    halves = [
        replace(whole, valves=VALVES[part], ages=whole.ages[part], service_class="c", design=name)
        for name, part in (("A", slice(0, 4)), ("B", slice(4, 8)))
    ]
    lifetimes = {(name, item): tuple(one[item] for one in POINTS) for name in ("c", "d") for item in CENTRE}
    points = LifetimePoints(weights=WEIGHTS, lifetimes=lifetimes)

    def demand(groups: list[Group]) -> Demand:
        asked = [Asking(storeroom="S", kit="packing", valves=EVERY, windows=(YEAR,), cover=YEAR)]
        made = plant_demand(groups, points, [YEAR], areas={"": EVERY}, asked=asked, dates=DATES, outcomes={})
        running = made.running["S", "packing"][YEAR]
        assert running.probabilities.tolist() == made.demand["", "packing"][YEAR].probabilities.tolist()
        return running

    together = demand([whole]).probabilities
    assert demand(halves).probabilities == pytest.approx(together, abs=1e-9)
    apart = demand([halves[0], replace(halves[1], service_class="d")])
    each = [demand([half]) for half in halves]
    assert apart.probabilities == pytest.approx(demand_of_classes(each).probabilities, abs=1e-9)
    n = np.arange(len(apart.probabilities))
    spread = apart.probabilities @ n**2 - apart.mean**2
    shared = together @ np.arange(len(together)) ** 2 - (together @ np.arange(len(together))) ** 2
    assert spread < 0.9 * shared


def test_tilting_is_exact_for_one_at_most_and_for_poisson_counts() -> None:
    n = np.arange(30)
    fact = np.cumprod(np.maximum(n, 1.0))
    poisson = np.exp(-0.7) * 0.7**n / fact
    moved = tilted(np.vstack([poisson, poisson]), np.array([[0.2, 3.0]]))[0]
    for row, mean in zip(moved, (0.2, 3.0), strict=True):
        assert row[:30] == pytest.approx(np.exp(-mean) * mean**n / fact, abs=1e-9)
    certain = tilted(np.array([[1e-14, 1.0 - 1e-14, 0.0]]), np.array([[0.75]]))[0, 0]
    assert certain[:2] == pytest.approx([0.25, 0.75], abs=1e-6)


def test_tilting_meets_the_mean_wherever_it_lies() -> None:
    rng = np.random.default_rng(7)
    counts = rng.dirichlet(np.full(6, 0.4), size=200)
    means = np.concatenate([rng.uniform(0.0, 5.0, (3, 200)), rng.uniform(5.0, 60.0, (1, 200)), np.zeros((1, 200))])
    moved = tilted(counts, means)
    assert moved @ np.arange(moved.shape[2]) == pytest.approx(means, abs=1e-6)
    assert moved.sum(axis=2) == pytest.approx(np.ones_like(means))


@pytest.mark.parametrize("columns", [2, 4, 10])
def test_points_are_even_and_unlike_each_other(columns: int) -> None:
    unit = even_points(12, columns=columns)
    scores = ndtri(unit)
    assert scores.mean(axis=0) == pytest.approx(np.zeros(columns), abs=1e-9)
    assert scores.T @ scores / 12 == pytest.approx(np.eye(columns), abs=1e-9)
    gaps = np.abs(np.sort(unit, axis=0) - (np.arange(12)[:, None] + 0.5) / 12)
    assert gaps[:, :2].max() < 0.06


def test_more_items_than_points_still_have_points() -> None:
    unit = even_points(12, columns=14)
    assert np.sort(unit, axis=0) == pytest.approx(np.tile((np.arange(12)[:, None] + 0.5) / 12, (1, 14)))
