"""The order decision: its laws, what it refuses and what it says; `test_stocked_plant.py` plays it."""

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.errors import InvalidInput
from forecasting.lots import Lot
from forecasting.stock_positions import OpenOrder
from forecasting.stock_questions import LONGEST_USE
from forecasting.stocking import Rule, StockQuestion, decide, windows_needed
from tests.strategies import CI

QUICK = settings(CI, max_examples=60)
BY_TARGET = (Rule.CYCLE, Rule.FILL)
PLAIN = StockQuestion(
    storeroom="S",
    kit="K",
    valves=frozenset({"V"}),
    lead_time=60.0,
    lead_time_spread=15.0,
    review_period=14.0,
    rule=Rule.CYCLE,
    target=0.95,
    floor=0,
    min_order=1,
    pack=1,
    shelf_life=np.inf,
    order_cost=0.0,
    holding_cost=None,
    on_hand=0,
    orders=(),
)


def steady(per_day: float) -> Callable[[Window], Demand]:
    """Poisson demand at a constant rate."""

    def over(window: Window) -> Demand:
        mean = per_day * (window[1] - window[0])
        counts = np.arange(int(mean + 10.0 * np.sqrt(mean) + 15))
        return Demand(probabilities=np.asarray(poisson.pmf(counts, mean)), unplanned=mean, planned=0.0, turnaround=0.0)

    return over


@QUICK
@given(rates=st.tuples(st.floats(0.001, 0.3), st.floats(0.001, 0.3)), rule=st.sampled_from(BY_TARGET))
def test_more_demand_never_lowers_the_reorder_point(rates: tuple[float, float], rule: Rule) -> None:
    question = replace(PLAIN, rule=rule, min_order=5)
    levels = [decide(question, steady(rate)).reorder_point for rate in sorted(rates)]
    assert levels == sorted(levels)


@QUICK
@given(targets=st.tuples(st.floats(0.5, 0.995), st.floats(0.5, 0.995)), rule=st.sampled_from(BY_TARGET))
def test_a_higher_target_never_lowers_the_reorder_point(targets: tuple[float, float], rule: Rule) -> None:
    questions = [replace(PLAIN, rule=rule, target=target, min_order=5) for target in sorted(targets)]
    levels = [decide(question, steady(0.1)).reorder_point for question in questions]
    assert levels == sorted(levels)


@QUICK
@given(
    leads=st.tuples(st.floats(5.0, 200.0), st.floats(5.0, 200.0)),
    reviews=st.tuples(st.floats(0.0, 60.0), st.floats(0.0, 60.0)),
    share=st.floats(0.0, 0.9),
)
def test_a_longer_cover_never_lowers_the_reorder_point(
    leads: tuple[float, float], reviews: tuple[float, float], share: float
) -> None:
    """Lead time with a spread in proportion to it, and review period; so the cover grows in stochastic order."""
    questions = [
        replace(PLAIN, lead_time=lead, lead_time_spread=share * lead, review_period=review)
        for lead, review in zip(sorted(leads), sorted(reviews), strict=True)
    ]
    levels = [decide(question, steady(0.05)).reorder_point for question in questions]
    assert levels == sorted(levels)


@QUICK
@given(
    rate=st.floats(0.001, 0.3),
    pack=st.integers(1, 12),
    min_order=st.integers(1, 30),
    on_hand=st.integers(0, 40),
    floor=st.integers(0, 6),
    holding=st.none() | st.floats(0.1, 500.0),
    coming=st.lists(st.tuples(st.integers(-90, 200), st.integers(1, 9)), max_size=3),
)
def test_a_proposal_is_whole_packs_that_lift_the_position_above_the_reorder_point(
    rate: float,
    pack: int,
    min_order: int,
    on_hand: int,
    floor: int,
    holding: float | None,
    coming: list[tuple[int, int]],
) -> None:
    """And nothing is proposed where it is above already."""
    question = replace(
        PLAIN,
        pack=pack,
        min_order=min_order,
        on_hand=on_hand,
        floor=floor,
        order_cost=60.0,
        holding_cost=holding,
        orders=tuple(OpenOrder(due=float(due), qty=qty) for due, qty in coming),
    )
    decision = decide(question, steady(rate))
    position = on_hand + sum(qty for due, qty in coming if due <= 74)
    assert decision.position.position == position
    assert decision.order_quantity % pack == decision.proposed % pack == 0
    assert decision.order_quantity >= min_order
    assert decision.reorder_point >= floor - 1
    assert decision.bound >= decision.reorder_point
    if position > decision.reorder_point:
        assert decision.proposed == 0
    else:
        assert decision.proposed >= min_order
        assert position + decision.proposed > decision.reorder_point
    assert 0.0 <= decision.short_if_ordered_today <= 1.0


def test_a_position_far_below_is_lifted_with_as_many_usual_orders_as_it_takes() -> None:
    """Reorder point 29, position 0, usual orders of 4: eight of them."""
    decision = decide(replace(PLAIN, floor=30, min_order=2, pack=4), steady(0.001))
    assert (decision.reorder_point, decision.order_quantity, decision.proposed) == (29, 4, 32)


def test_the_economic_quantity_is_cut_to_what_is_used_before_it_expires() -> None:
    """36.5 a year: 209 by cost alone, 73 in the two years no order outlasts, 6 if it must be used in half a year.

    Ordered at 12, and 24 expected in lead time and shelf life: P(Poisson(24) >= 18) = 0.913, P(>= 19) = 0.872.
    """
    cheap = replace(PLAIN, order_cost=60.0, holding_cost=0.1)
    assert decide(cheap, steady(0.1)).order_quantity == 73
    decision = decide(replace(cheap, shelf_life=180.0), steady(0.1))
    assert (decision.reorder_point, decision.order_quantity) == (12, 6)
    assert poisson.sf(17, 24.0) > 0.9 > poisson.sf(18, 24.0)
    enough = decide(replace(cheap, shelf_life=180.0, on_hand=13), steady(0.1))
    assert enough.used_in_time == pytest.approx(float(poisson.sf(17, 24.0)), abs=1e-9)


def test_a_pack_that_will_not_be_used_in_time_says_how_many_will_expire() -> None:
    """Packs of 20 of a kit of which 6 are used until they expire: E[min(20, (20 - D)+)] = 14 and a little."""
    packed = replace(PLAIN, pack=20, shelf_life=540.0, holding_cost=10.0, order_cost=60.0)
    decision = decide(packed, steady(0.01))
    counts = np.arange(40)
    assert decision.proposed == 20
    assert decision.order_expiring == pytest.approx(
        float(poisson.pmf(counts, 6.0) @ np.clip(20 - counts, 0, 20)), abs=1e-6
    )
    assert decision.used_in_time < 1e-4


def test_what_is_used_later_than_two_years_goes_on_at_the_rate_of_the_second() -> None:
    """A shelf life of 10 years: 10 + 60 / 365 years at 3.65 a year, less what is there."""
    long = replace(PLAIN, shelf_life=3650.0, on_hand=30)
    decision = decide(long, steady(0.01))
    assert decision.used_in_time == pytest.approx(
        float(poisson.sf(decision.reorder_point + decision.order_quantity - 1, 37.1)), abs=1e-6
    )


def test_lots_that_expire_do_not_count() -> None:
    """Of 5 one lot of 2 is expired; of 3 that expire in 30 days 3 - E[min(3, Poisson(3))] = 0.67 won't be used."""
    lots = (Lot(expires=0.0, qty=2), Lot(expires=30.0, qty=3))
    position = decide(replace(PLAIN, on_hand=5, lots=lots), steady(0.1)).position
    assert (position.expired, position.expiring, position.position) == (2, 1, 2)
    later = decide(replace(PLAIN, on_hand=3, lots=(Lot(expires=75.0, qty=3),)), steady(0.1)).position
    assert (later.expired, later.expiring, later.position) == (0, 0, 3)


def test_without_a_price_the_smallest_order_is_usual() -> None:
    assert decide(replace(PLAIN, min_order=3, pack=2), steady(0.1)).order_quantity == 4


def test_a_kit_nobody_needs_soon_is_kept_at_one_by_the_cycle_rule() -> None:
    """Reorder point 0: with none there one is proposed, with one there nothing."""
    assert decide(PLAIN, steady(1e-6)).proposed == 1
    assert decide(replace(PLAIN, on_hand=1), steady(1e-6)).proposed == 0


def test_the_chance_to_run_out_is_over_the_lead_time_of_an_order_of_today() -> None:
    """P(Poisson(6) > 4) with 4 there and 60 days at 0.1 a day."""
    decision = decide(replace(PLAIN, on_hand=4), steady(0.1))
    assert decision.short_if_ordered_today == pytest.approx(float(poisson.sf(4, 6.0)), abs=1e-9)
    assert decision.demand == pytest.approx(7.4)
    assert decision.yearly_demand == pytest.approx(36.5)


def test_windows_needed_are_all_that_is_asked_for() -> None:
    lots = (Lot(expires=20.0, qty=1), Lot(expires=300.0, qty=1), Lot(expires=-1.0, qty=1))
    question = replace(PLAIN, shelf_life=200.0, rule=Rule.FILL, on_hand=3, lots=lots)
    asked: set[Window] = set()

    def demand_over(window: Window) -> Demand:
        asked.add(window)
        return steady(0.1)(window)

    decide(question, demand_over)
    assert asked == set(windows_needed(question))
    assert {(0.0, 20.0), (0.0, 260.0), (0.0, LONGEST_USE)} <= asked
    assert (0.0, 300.0) not in asked


COST: dict[str, Any] = {
    "rule": Rule.LEAST_COST,
    "target": 0.0,
    "order_cost": 60.0,
    "holding_cost": 50.0,
    "shortage_cost": 4000.0,
}
COSTED = replace(PLAIN, **COST)


def test_least_cost_is_no_dearer_than_its_neighbours() -> None:
    """By the cost its own answer reports, for levels and quantities a step away."""
    decision = decide(COSTED, steady(0.05))
    assert decision.achieved is not None
    assert decision.achieved.cost is not None
    for level in (-1, 0, 1):
        for quantity in (-1, 0, 1):
            other = replace(
                COSTED,
                present_reorder_point=decision.reorder_point + level,
                present_order_quantity=decision.order_quantity + quantity,
            )
            present = decide(other, steady(0.05)).present
            assert present is not None
            assert present.cost is not None
            assert decision.achieved.cost <= present.cost + 1e-9


def test_dearer_failures_never_lower_the_least_cost_level_and_floors_hold() -> None:
    costs = (40.0, 400.0, 4000.0, 40000.0)
    levels = [decide(replace(COSTED, shortage_cost=cost), steady(0.05)).reorder_point for cost in costs]
    assert levels == sorted(levels)
    assert levels[0] < levels[-1]
    assert decide(replace(COSTED, shortage_cost=40.0, floor=9), steady(0.05)).reorder_point >= 8


def test_least_cost_keeps_packs_minimums_and_shelf_life() -> None:
    cheap = replace(COSTED, holding_cost=0.1, min_order=4, pack=4)
    assert decide(cheap, steady(0.05)).order_quantity % 4 == 0
    short = decide(replace(cheap, shelf_life=180.0), steady(0.05))
    assert short.order_quantity == 4
    assert short.order_quantity < decide(cheap, steady(0.05)).order_quantity


def test_present_levels_are_valued_beside_the_proposal() -> None:
    decision = decide(replace(PLAIN, min_order=5, present_reorder_point=3), steady(0.1))
    assert decision.present is not None
    assert decision.achieved is not None
    assert decision.present.levels.cycle_service_level < decision.achieved.levels.cycle_service_level
    assert decision.present.short > decision.achieved.short
    assert decision.present.stock < decision.achieved.stock
    assert decision.achieved.levels == decision.levels
    assert decide(PLAIN, steady(0.1)).present is None


SHORT_LIVED = {"min_order": 50, "shelf_life": 30.0}
ODD = [
    ("no lead time", {"lead_time": 0.0, "lead_time_spread": 0.0}, 0.1, {"reorder_point": 3, "bound": 4}),
    ("nothing but the lead time", {"review_period": 0.0}, 0.1, {"reorder_point": 11, "bound": 11}),
    ("a lead time longer than any record", {"lead_time": 3285.0}, 0.1, {"reorder_point": 360, "days_late": 3266.0}),
    ("no spread", {"lead_time_spread": 0.0}, 0.1, {"reorder_point": 11}),
    ("a spread as large as the lead time", {"lead_time_spread": 60.0}, 0.1, {"reorder_point": 20}),
    ("a target of next to nothing", {"target": 1e-9}, 0.1, {"reorder_point": 0}),
    ("a target of all but certainty", {"target": 1.0 - 1e-12}, 0.1, {"reorder_point": 41}),
    ("never needed", {}, 0.0, {"reorder_point": 0, "proposed": 1, "stock_out": None}),
    ("never needed, by cost", COST, 0.0, {"reorder_point": -1, "proposed": 0}),
    ("never needed, perishable", {"shelf_life": 30.0}, 0.0, {"order_expiring": 1.0, "used_in_time": 0.0}),
    ("no price", {"order_cost": 60.0, "holding_cost": None}, 0.1, {"order_quantity": 1}),
    ("a price of nothing", {"order_cost": 60.0, "holding_cost": 0.0}, 0.1, {"order_quantity": 1}),
    ("next to no price", {"order_cost": 60.0, "holding_cost": 1e-12}, 0.1, {"order_quantity": 73}),
    ("a pack beyond any use", {"pack": 10**9}, 0.01, {"order_quantity": 10**9, "reorder_point": 2}),
    ("the same, by cost", {**COST, "pack": 10**9}, 0.01, {"order_quantity": 10**9, "reorder_point": -1}),
    ("a minimum beyond its life", SHORT_LIVED, 0.01, {"order_quantity": 50, "order_expiring": 49.1}),
    ("a floor beyond demand", {"floor": 10**9}, 0.01, {"reorder_point": 10**9 - 1, "proposed": 10**9}),
    ("the same, by cost", {**COST, "floor": 10**9}, 0.01, {"reorder_point": 10**9 - 1, "order_quantity": 3}),
    ("more than ever needed", {"on_hand": 10**9}, 0.01, {"proposed": 0, "stock_out": None}),
    ("more asked for than there", {"on_hand": 2, "reserved": 50}, 0.01, {"proposed": 51, "stock_out": 0.0}),
    ("a lot beyond any use", {"on_hand": 10**9, "lots": (Lot(expires=30.0, qty=10**9),)}, 0.01, {"proposed": 3}),
]


@pytest.mark.parametrize(("what", "odd", "rate", "said"), ODD, ids=[what for what, *_ in ODD])
def test_odd_questions_have_an_answer(what: str, odd: dict[str, Any], rate: float, said: dict[str, Any]) -> None:
    """Every number is finite, and no typing error in a record takes the memory of the machine."""
    decision = decide(replace(PLAIN, present_reorder_point=1, **odd), steady(rate))
    for name, value in said.items():
        assert getattr(decision, name) == (None if value is None else pytest.approx(value, rel=1e-3)), what
    assert decision.achieved is not None
    numbers = [decision.achieved.stock, decision.achieved.short, decision.demand, decision.order_expiring]
    assert np.isfinite(numbers).all()
    assert min(numbers) >= 0.0
    assert min(decision.levels.cycle_service_level, decision.levels.fill_rate) >= 0.0


def test_stock_on_average_by_enumeration() -> None:
    """Mean of E[(y - D)+] over y = r + 1 .. r + Q, one by one."""
    question = replace(PLAIN, lead_time_spread=0.0, review_period=0.0, min_order=7, present_reorder_point=-1)
    decision, demand = decide(question, steady(0.1)), poisson.pmf(np.arange(60), 6.0)
    for made, point in ((decision.achieved, decision.reorder_point), (decision.present, -1)):
        assert made is not None
        left = [float(demand @ np.maximum(level - np.arange(60), 0)) for level in range(point + 1, point + 8)]
        assert made.stock == pytest.approx(np.mean(left), abs=1e-9)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"pack": 0}, "`pack`, `min_order`, `shelf_life` must be positive"),
        ({"min_order": -1}, "`pack`, `min_order`, `shelf_life` must be positive"),
        ({"shelf_life": 0.0}, "`pack`, `min_order`, `shelf_life` must be positive"),
        ({"floor": -1}, "`floor` not negative"),
        ({"target": 1.0}, "`cycle_service_level` must be within"),
        ({"target": 0.0, "rule": Rule.FILL}, "`fill_rate` must be within"),
        ({"on_hand": -1}, "stock must not be negative"),
        ({"lead_time": -5.0}, "times must be finite, not negative"),
        ({"lead_time": 0.0, "lead_time_spread": 0.0, "review_period": 0.0}, "times must be finite, not negative"),
        ({"lead_time": np.nan}, "times must be finite, not negative"),
        ({"lead_time": 7300.0}, "together within (0, 3650]"),
        ({"lead_time_spread": 61.0}, "`lead_time_spread` must be at most `lead_time`, 60 days, got 61"),
        ({"shelf_life": np.nan}, "`pack`, `min_order`, `shelf_life` must be positive"),
        ({"target": np.nan}, "`cycle_service_level` must be within"),
        ({"target": 1.0, "rule": Rule.FILL}, "`fill_rate` must be within"),
        ({"holding_cost": 5.0, "order_cost": np.inf}, "the others not negative"),
        ({"holding_cost": 5.0, "shortage_cost": -1.0}, "none negative"),
        ({"unfilled": -1}, "stock must not be negative"),
        ({"present_reorder_point": -2}, "`reorder_point` at least -1"),
        ({"holding_cost": -1.0}, "`holding_cost` must be positive"),
        ({"rule": Rule.LEAST_COST}, "least cost needs `holding_cost` and `shortage_cost`"),
        ({"rule": Rule.LEAST_COST, "holding_cost": 5.0, "shortage_cost": 0.0}, "least cost needs"),
        ({"lots": (Lot(expires=0.0, qty=1),)}, "nor `expired` beyond `on_hand`"),
    ],
    ids=str,
)
def test_questions_that_can_not_be_are_refused(wrong: dict[str, object], said: str) -> None:
    question = replace(PLAIN, **wrong)  # type: ignore[arg-type]
    with pytest.raises(InvalidInput, match=re.escape(said)):
        decide(question, steady(0.1))
