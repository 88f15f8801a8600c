"""From demand to the decision for one kit in one storeroom: when to order, how many, and whether today."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.lead_times import CoverTimes, cover_times, longest_cover_times
from forecasting.service_levels import (
    ServiceLevels,
    mixture,
    reorder_point_by_cycle,
    reorder_point_by_fill,
    service_levels,
)
from forecasting.stock_positions import OpenOrder, StockPosition, stock_position

__all__ = ["Rule", "StockDecision", "StockQuestion", "decide", "economic_quantity", "windows_needed"]

YEAR = 365.0
LONGEST_USE = 730.0
"""An order is for at most so many days of expected use."""


class Rule(StrEnum):
    """Which target a kit is stocked by."""

    CYCLE = "cycle_service_level"
    FILL = "fill_rate"


@dataclass(frozen=True, kw_only=True)
class StockQuestion:
    """What must be known of one kit in one storeroom.

    Parameters
    ----------
    storeroom, kit : str [codes]
        Which.
    valves : frozenset of str [tags]
        The valves the storeroom serves.
    lead_time, lead_time_spread, review_period : float [days]
        See `cover_times`.
    rule : Rule [word]
        Which target.
    target : float in (0, 1) [1]
        By that rule.
    floor : int [kits]
        Never fewer than this, whatever the forecast says.
    min_order, pack : int [kits]
        Orders are at least the one and multiples of the other.
    shelf_life : float [days]
        Infinite: doesn't expire.
    order_cost : float [money per order]
        Of placing one.
    holding_cost : float or None [money per kit and year]
        None: the price isn't known.
    on_hand : int [kits]
        On the shelf.
    orders : tuple of OpenOrder [kits]
        Firm and open.
    """

    storeroom: str
    kit: str
    valves: frozenset[str]
    lead_time: float
    lead_time_spread: float
    review_period: float
    rule: Rule
    target: float
    floor: int
    min_order: int
    pack: int
    shelf_life: float
    order_cost: float
    holding_cost: float | None
    on_hand: int
    orders: tuple[OpenOrder, ...]

    @property
    def protection_interval(self) -> float:
        """Lead time plus review period, in days."""
        return self.lead_time + self.review_period

    @property
    def cover(self) -> CoverTimes:
        """Times to cover from reaching the reorder point."""
        return cover_times(
            lead_time=self.lead_time, lead_time_spread=self.lead_time_spread, review_period=self.review_period
        )

    @property
    def longest_cover(self) -> CoverTimes:
        """Times to cover if the reorder point is reached right after a review."""
        return longest_cover_times(
            lead_time=self.lead_time, lead_time_spread=self.lead_time_spread, review_period=self.review_period
        )


@dataclass(frozen=True, kw_only=True)
class StockDecision:
    """What to do about one kit in one storeroom.

    Parameters
    ----------
    reorder_point, bound : int [kits]
        Order when the stock position falls to the first; simple bound, as if each wait for a review were the longest.
    order_quantity, proposed : int [kits]
        The usual order; what to order today (0: nothing).
    levels : ServiceLevels [1]
        What they achieve.
    position : StockPosition [kits]
        Now.
    demand, yearly_demand : float [kits]
        Expected over the protection interval, and over the next year.
    short_if_ordered_today : float [1]
        Chance that the position doesn't last until an order placed today arrives.
    """

    reorder_point: int
    bound: int
    order_quantity: int
    proposed: int
    levels: ServiceLevels
    position: StockPosition
    demand: float
    yearly_demand: float
    short_if_ordered_today: float


def economic_quantity(*, yearly_demand: float, order_cost: float, holding_cost: float) -> float:
    """Order quantity that balances the cost of ordering against that of holding.

    sqrt(2 K D / h).

    Parameters
    ----------
    yearly_demand : float [kits per year]
        D.
    order_cost : float [money per order]
        K.
    holding_cost : float [money per kit and year]
        h.

    Returns
    -------
    float [kits]
        Before rounding to packs and minimums.

    Raises
    ------
    InvalidInput
        If the holding cost isn't positive or another number is negative or not finite.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, example 3.1 (value seen through an open package).

    Examples
    --------
    >>> round(economic_quantity(yearly_demand=1300.0, order_cost=8.0, holding_cost=0.225), 10)
    304.0467800264
    """
    check(
        0 < holding_cost < np.inf and 0 <= yearly_demand < np.inf and 0 <= order_cost < np.inf,
        f"`holding_cost` must be positive, the others not negative, got {holding_cost}, {yearly_demand}, {order_cost}",
    )
    return float(np.sqrt(2.0 * order_cost * yearly_demand / holding_cost))


def windows_needed(question: StockQuestion) -> tuple[Window, ...]:
    """Windows whose demand `decide` asks for.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.

    Returns
    -------
    tuple of (start, end] [days from now]
        Lead time, protection interval, cover times, a year and the longest use of an order.

    References
    ----------
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> sorted(windows_needed(StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule=Rule.CYCLE, target=0.9, floor=0, min_order=1, pack=1, shelf_life=np.inf, order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )))
    [(0.0, 30.0), (0.0, 365.0), (0.0, 730.0)]
    """
    ends = {max(question.lead_time, 1.0), question.protection_interval, YEAR, min(question.shelf_life, LONGEST_USE)}
    ends |= {float(days) for cover in (question.cover, question.longest_cover) for days in cover.days}
    return tuple((0.0, end) for end in sorted(ends))


def _quantity(question: StockQuestion, yearly: float, usable: float) -> int:
    """Economic quantity, at most what is used in time, in whole packs and at least the minimum."""
    wanted = 1.0
    if question.holding_cost:
        cost = question.holding_cost
        wanted = economic_quantity(yearly_demand=yearly, order_cost=question.order_cost, holding_cost=cost)
    wanted = max(1.0, min(wanted, usable), float(question.min_order))
    return int(np.ceil(round(wanted) / question.pack)) * question.pack


def _level(question: StockQuestion, probabilities: FloatArray, quantity: int) -> int:
    """Lowest reorder point that meets the target by its rule and keeps the floor."""
    if question.rule is Rule.FILL:
        level = reorder_point_by_fill(probabilities, fill_rate=question.target, order_quantity=quantity)
    else:
        level = reorder_point_by_cycle(probabilities, cycle_service_level=question.target)
    return max(level, question.floor - 1)


def decide(question: StockQuestion, demand_over: Callable[[Window], Demand]) -> StockDecision:
    """Reorder point, order quantity and today's order of one kit in one storeroom.

    Reorder point: smallest r with E[P(D(L + U) <= r)] at the target, L the lead time, U the wait for the next review;
    never below the floor. Ordered today: if the position is at or below r, enough packs to lift it above r.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.
    demand_over : callable from window to Demand [kits]
        Knows at least `windows_needed`.

    Returns
    -------
    StockDecision [kits]
        A proposal: a named person decides.

    Raises
    ------
    InvalidInput
        If the target isn't within (0, 1), pack, minimum or shelf life isn't positive, or the floor is negative.

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, chapter 6 (from memory);
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> question = StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule=Rule.CYCLE, target=0.75, floor=0, min_order=1, pack=1, shelf_life=np.inf, order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )
    >>> steady = Demand(probabilities=np.array([0.5, 0.3, 0.2]), unplanned=0.7, planned=0.0, turnaround=0.0)
    >>> decision = decide(question, lambda window: steady)
    >>> decision.reorder_point, decision.proposed
    (1, 2)
    """
    possible = min(question.pack, question.min_order, question.shelf_life) > 0 <= question.floor
    check(possible, f"`pack`, `min_order`, `shelf_life` must be positive, `floor` not negative, got {question}")
    over_cover, over_longest = (
        mixture([demand_over((0.0, float(days))).probabilities for days in cover.days], cover.weights)
        for cover in (question.cover, question.longest_cover)
    )
    yearly = demand_over((0.0, YEAR)).mean
    quantity = _quantity(question, yearly, demand_over((0.0, min(question.shelf_life, LONGEST_USE))).mean)
    level, bound = (_level(question, probabilities, quantity) for probabilities in (over_cover, over_longest))
    now = stock_position(
        on_hand=question.on_hand, orders=question.orders, protection_interval=question.protection_interval
    )
    lift = max(quantity, level + 1 - now.position)
    over_lead_time = demand_over((0.0, max(question.lead_time, 1.0))).probabilities
    return StockDecision(
        reorder_point=level,
        bound=bound,
        order_quantity=quantity,
        proposed=0 if now.position > level else int(np.ceil(lift / question.pack)) * question.pack,
        levels=service_levels(over_cover, reorder_point=level, order_quantity=quantity),
        position=now,
        demand=demand_over((0.0, question.protection_interval)).mean,
        yearly_demand=yearly,
        short_if_ordered_today=max(0.0, 1.0 - float(over_lead_time[: max(now.position, -1) + 1].sum())),
    )
