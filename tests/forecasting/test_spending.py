"""What kits cost outside turnarounds, beside plants played event by event with lifetimes drawn at each point."""

from collections.abc import Mapping

import numpy as np
import pytest

from forecasting.arrays import FloatArray
from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, Window
from forecasting.kit_dates import kit_dates
from forecasting.kit_points import KitPoints, kits_at_points
from forecasting.lifetimes import Weibull
from forecasting.money_sums import Sums
from forecasting.spending import KINDS, spend_of_class, spend_of_classes
from tests.forecasting.valve_plans import INF

YEAR, MONTH = (0.0, 365.0), (0.0, 30.0)
PRICES = {"packing": 230.0, "trim": 4110.0}
SCALES = {"packing": (500.0, 650.0, 800.0, 1000.0), "trim": (1500.0, 1100.0, 1700.0, 1300.0)}
SHAPES = {"packing": 1.6, "trim": 2.2}
CENTRE = {"packing": 760.0, "trim": 1400.0}
RENEWS = {"packing": frozenset({"packing"}), "trim": frozenset({"trim", "packing"})}
AGES = {"packing": (0, 60, 130, 250, 310, 400, 520, 610), "trim": (300, 60, 900, 250, 700, 1100, 520, 1000)}
VALVES = tuple(f"V{number}" for number in range(8))
EVERY = frozenset(VALVES)
DATES = kit_dates([], {}, designs={}, as_of=800)
PLANTS = 25_000


def _age(valve: str, item: str, days: int) -> ItemAge:
    return ItemAge(
        valve=valve, item=item, service_class="c", age=days, survived=days, in_place=2000, awaits_renewal=False
    )


def _made(*, interval: float, turnarounds: tuple[float, ...] = ()) -> dict[str, list[KitPoints]]:
    """Count the kits of eight valves; the trim's kit renews the packing, too."""
    plans = tuple(
        ItemPlan(
            item=item,
            lifetime=Weibull(scale=CENTRE[item], shape=SHAPES[item]),
            interval=interval if item == "packing" else INF,
            opportunity=800.0 if turnarounds and item == "trim" else INF,
            kit=item,
            qty=1,
            renews=RENEWS[item],
        )
        for item in CENTRE
    )
    ages = tuple({item: _age(valve, item, AGES[item][row]) for item in CENTRE} for row, valve in enumerate(VALVES))
    group = Group(plans=plans, valves=VALVES, ages=ages, service_class="c", turnarounds=turnarounds)
    points = [
        {item: Weibull(scale=SCALES[item][k], shape=SHAPES[item]) for item in CENTRE}
        for k in range(len(SCALES["trim"]))
    ]
    weights = np.full(4, 0.25)
    made = kits_at_points([group], points, [YEAR, MONTH], weights=weights, running={}, dates=DATES)
    return {kit: [one for one in made if one.over.kit == kit] for kit in CENTRE}


def _spent(made: Mapping[str, list[KitPoints]], window: Window) -> dict[str, Sums]:
    part = spend_of_class(made, [window], valves=EVERY, prices=PRICES, points=4)[window]
    return dict(spend_of_classes([part]).sums)


def _rest(rng: np.random.Generator, age: FloatArray, point: int, item: str) -> FloatArray:
    scale, shape = SCALES[item][point], SHAPES[item]
    spent = (age / scale) ** shape
    return np.asarray(scale * (spent + rng.exponential(size=age.shape)) ** (1.0 / shape) - age)


def _played(rng: np.random.Generator, point: int, *, interval: float, end: float) -> dict[str, FloatArray]:
    """Play plants at one point; money spent by kind until the end, in each of them."""
    start = {item: np.tile(np.array(AGES[item], dtype=float), (PLANTS, 1)) for item in CENTRE}
    fails = {item: _rest(rng, age, point, item) for item, age in start.items()}
    due = np.maximum(interval - start["packing"], 0.5) if np.isfinite(interval) else np.full((PLANTS, 8), INF)
    spent = {kind: np.zeros((PLANTS, 8)) for kind in ("unplanned", "planned")}
    while ((now := np.minimum(np.minimum(fails["trim"], fails["packing"]), due)) <= end).any():
        running, whole = now <= end, fails["trim"] <= now
        planned = ~whole & (due <= now) & (due < fails["packing"])
        price = np.where(whole, PRICES["trim"], PRICES["packing"])
        spent["planned"] += np.where(running & planned, price, 0.0)
        spent["unplanned"] += np.where(running & ~planned, price, 0.0)
        new = np.zeros(now.shape)
        fails["packing"] = np.where(running, now + _rest(rng, new, point, "packing"), fails["packing"])
        due = np.where(running, now + interval, due)
        fails["trim"] = np.where(running & whole, now + _rest(rng, new, point, "trim"), fails["trim"])
    by_plant = {kind: money.sum(axis=1) for kind, money in spent.items()}
    return by_plant | {"total": by_plant["unplanned"] + by_plant["planned"]}


@pytest.mark.parametrize(("interval", "window"), [(INF, YEAR), (INF, MONTH), (450.0, YEAR)])
def test_spending_is_what_plants_with_drawn_lifetimes_spend(interval: float, window: Window) -> None:
    rng = np.random.default_rng(7)
    played = [_played(rng, point, interval=interval, end=window[1]) for point in range(4)]
    found = _spent(_made(interval=interval), window)
    for kind in KINDS:
        seen = np.concatenate([one[kind] for one in played])
        assert found[kind].mean == pytest.approx(seen.mean(), rel=0.02, abs=1e-9)
        for share in (0.1, 0.5, 0.8, 0.9):
            # kits of one valve are taken as independent at each point, which moves a share by up to a hundredth
            low, high = np.quantile(seen, [share - 0.015, share + 0.015])
            step = found[kind].step
            assert low - 2.0 * step <= found[kind].quantile(share) <= high + 2.0 * step, (kind, share)


def test_what_is_planned_for_a_turnaround_is_in_no_kind() -> None:
    made = _made(interval=INF, turnarounds=(100.0,))
    stopped = {kit: sum(float(one.over.turnaround[YEAR].sum()) for one in several) for kit, several in made.items()}
    assert stopped["trim"] > 2.0
    found = _spent(made, YEAR)
    expected = {
        kind: sum(
            PRICES[kit]
            * float(
                (one.over.unplanned[YEAR] * (kind != "planned")).sum()
                + one.over.planned[YEAR].sum() * (kind != "unplanned")
            )
            for kit, several in made.items()
            for one in several
        )
        for kind in KINDS
    }
    for kind in KINDS:
        assert found[kind].mean == pytest.approx(expected[kind], rel=2e-3, abs=1e-9)
    assert found["planned"].mean == 0.0


def test_the_p90_of_the_total_is_not_the_sum_of_those_of_its_kinds() -> None:
    found = _spent(_made(interval=450.0), YEAR)
    apart = found["unplanned"].quantile(0.9) + found["planned"].quantile(0.9)
    assert found["total"].quantile(0.9) < apart - 100.0
    assert found["total"].mean == pytest.approx(found["unplanned"].mean + found["planned"].mean, rel=1e-3)


def test_valves_of_a_class_share_what_is_not_known_of_lifetimes() -> None:
    """Mixing each valve by itself would be too sure: same mean, narrower."""
    made = _made(interval=INF)
    one_by_one = [frozenset({valve}) for valve in VALVES]
    alone = [spend_of_class(made, [YEAR], valves=one, prices=PRICES, points=4)[YEAR] for one in one_by_one]
    narrow, wide = spend_of_classes(alone).sums["total"], _spent(made, YEAR)["total"]
    assert narrow.mean == pytest.approx(wide.mean, rel=1e-6)
    assert wide.quantile(0.9) - wide.quantile(0.1) > 1.03 * (narrow.quantile(0.9) - narrow.quantile(0.1))


def test_a_kit_without_a_price_is_named_with_how_many_are_expected() -> None:
    made = _made(interval=INF)
    part = spend_of_class(made, [YEAR], valves=EVERY, prices={"packing": 230.0}, points=4)[YEAR]
    spend = spend_of_classes([part, part])
    expected = 2.0 * float(made["trim"][0].over.unplanned[YEAR].sum())
    assert spend.unpriced == {"trim": pytest.approx(expected, rel=1e-3)}
    assert spend.sums["total"].mean == pytest.approx(
        2 * 230.0 * float(made["packing"][0].over.unplanned[YEAR].sum()), rel=1e-3
    )
