"""How many to order at a time: the economic quantity, packs and minimums, and what is used before it expires."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.lots import demand_until, largest_order_used
from forecasting.stock_questions import LONGEST_USE, YEAR, StockQuestion

__all__ = [
    "USED_IN_TIME",
    "Use",
    "economic_quantity",
    "economic_quantity_when_waiting",
    "in_packs",
    "use_of_orders",
    "usual_quantity",
]

USED_IN_TIME = 0.9
"""Chance that an order is used before it expires, where pack and minimum allow it (our convention)."""


@dataclass(frozen=True, kw_only=True)
class Use:
    """How long orders last.

    Parameters
    ----------
    yearly, longest : float [kits]
        Expected in the next year, and in the longest time an order is for.
    until_expiry : float array, shape (n,) or None [1]
        P(D = 0), P(D = 1), ... of the demand until an order of today expires; None: it doesn't.
    """

    yearly: float
    longest: float
    until_expiry: FloatArray | None


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


def economic_quantity_when_waiting(
    *, yearly_demand: float, order_cost: float, holding_cost: float, waiting_cost: float
) -> float:
    """Order quantity that also lets some demand wait, where waiting has a price.

    sqrt(2 K D (h + b) / (h b)).

    Parameters
    ----------
    yearly_demand : float [kits per year]
        D.
    order_cost : float [money per order]
        K.
    holding_cost, waiting_cost : float [money per kit and year]
        h and b.

    Returns
    -------
    float [kits]
        Before rounding to packs and minimums; h / (h + b) of it is asked for before it arrives.

    Raises
    ------
    InvalidInput
        If holding or waiting costs nothing or another number is negative or not finite.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, example 3.8 (value seen through an open package).

    Examples
    --------
    >>> round(economic_quantity_when_waiting(
    ...     yearly_demand=1300.0, order_cost=8.0, holding_cost=0.225, waiting_cost=5.0
    ... ), 10)
    310.812555159
    """
    check(0 < waiting_cost < np.inf, f"`waiting_cost` must be positive, got {waiting_cost}")
    plain = economic_quantity(yearly_demand=yearly_demand, order_cost=order_cost, holding_cost=holding_cost)
    return float(plain * np.sqrt((holding_cost + waiting_cost) / waiting_cost))


def in_packs(quantity: float, *, pack: int) -> int:
    """Round a quantity up to whole packs.

    Parameters
    ----------
    quantity : float [kits]
        Wanted; rounded to whole kits first.
    pack : int [kits]
        Bought so many at a time.

    Returns
    -------
    int [kits]
        At least one pack.

    References
    ----------
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> in_packs(4.6, pack=4)
    8
    """
    return max(-(-round(quantity) // pack), 1) * pack


def use_of_orders(question: StockQuestion, demand_over: Callable[[Window], Demand]) -> Use:
    """Say how long orders of a kit last, and what is asked for before one of today expires.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.
    demand_over : callable from window to Demand [kits]
        Knows at least `windows_needed`.

    Returns
    -------
    Use [kits]
        What is asked for later than two years from now goes on at the rate of the second one.

    References
    ----------
    DEVELOPERS.md, "Kits that expire".

    Examples
    --------
    >>> question = StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule="cycle_service_level", target=0.75, floor=0, min_order=1, pack=1, shelf_life=np.inf, order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )
    >>> steady = Demand(probabilities=np.array([0.5, 0.3, 0.2]), unplanned=0.7, planned=0.0, turnaround=0.0)
    >>> use_of_orders(question, lambda window: steady)
    Use(yearly=0.7, longest=0.7, until_expiry=None)
    """
    yearly, longest = demand_over((0.0, YEAR)).mean, demand_over((0.0, LONGEST_USE)).mean
    if np.isinf(question.shelf_life):
        return Use(yearly=yearly, longest=longest, until_expiry=None)
    forecast = question.forecast_of_order
    later = max(question.lead_time, 1.0) + question.shelf_life - forecast
    more = max(longest - yearly, 0.0) / (LONGEST_USE - YEAR) * later
    until = demand_until(demand_over((0.0, forecast)).probabilities, more=more)
    return Use(yearly=yearly, longest=longest, until_expiry=until)


def usual_quantity(question: StockQuestion, use: Use, *, wanted: float, before: int) -> int:
    """Cut a quantity to what is used in time, in whole packs and at least the minimum.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.
    use : Use [kits]
        As `use_of_orders` gives it.
    wanted : float [kits]
        By cost.
    before : int [kits]
        There when it is ordered, and used first.

    Returns
    -------
    int [kits]
        At most two years' expected use, and used before it expires with a chance of `USED_IN_TIME`, where pack and
        minimum allow that.

    References
    ----------
    DEVELOPERS.md, "Kits that expire".

    Examples
    --------
    >>> question = StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule="cycle_service_level", target=0.75, floor=0, min_order=1, pack=2, shelf_life=np.inf, order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )
    >>> usual_quantity(question, Use(yearly=6.0, longest=12.0, until_expiry=None), wanted=20.0, before=3)
    12
    """
    most = use.longest
    if use.until_expiry is not None:
        # a pack that isn't used up in time must not be opened by rounding up
        used = largest_order_used(use.until_expiry, before=before, chance=USED_IN_TIME)
        most = min(most, float(used // question.pack * question.pack))
    return in_packs(max(1.0, min(wanted, most), float(question.min_order)), pack=question.pack)
