"""Minimum and maximum for a kit looked at period by period: order up to S once the position is at or below s."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check

__all__ = ["MinMax", "least_cost_min_max", "renewal_mass"]


@dataclass(frozen=True, kw_only=True)
class MinMax:
    """When to order, up to how many, and what that costs.

    Parameters
    ----------
    minimum, maximum : int [kits]
        s and S.
    cost : float [money per period]
        Of ordering, holding and being short.
    """

    minimum: int
    maximum: int
    cost: float


def renewal_mass(probabilities: FloatArray, *, size: int) -> FloatArray:
    """Count the periods, to be expected, at whose beginning so many kits have gone since the last order.

    m(j) = [j = 0] + sum over i <= j of P(D = i) m(j - i).

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ... of a period's demand.
    size : int [kits]
        How many.

    Returns
    -------
    float array, shape (size,) [periods]
        m(0), m(1), ...

    Raises
    ------
    InvalidInput
        If nothing is ever asked for.

    References
    ----------
    Zheng & Federgruen (1991), Operations Research 39:654-665 (from memory).

    Examples
    --------
    >>> renewal_mass(np.array([0.5, 0.5]), size=3)
    array([2., 2., 2.])
    """
    check(probabilities[0] < 1.0, "a kit nobody asks for is never ordered again")
    mass = np.zeros(size)
    for gone in range(size):
        asked = probabilities[1 : gone + 1]
        mass[gone] = (float(asked @ mass[gone - len(asked) : gone][::-1]) + (gone == 0)) / (1.0 - probabilities[0])
    return mass


def least_cost_min_max(probabilities: FloatArray, *, level_cost: FloatArray, lowest: int, order_cost: float) -> MinMax:
    """Minimum and maximum that together cost least, exactly, for any demand.

    c(s, S) = (K + sum of m(j) G(S - j)) / sum of m(j), both over j = 0 .. S - s - 1, m the renewal mass.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ... of a period's demand.
    level_cost : float array, shape (levels,) [money per period]
        G(y): a period's cost of a position y after ordering, for y = lowest, lowest + 1, ...; wide enough that the best
        levels lie inside.
    lowest : int [kits]
        Position of the first of them; the minimum is at least one below it.
    order_cost : float [money per order]
        K.

    Returns
    -------
    MinMax [kits and money per period]
        Of several that cost the same, the lowest maximum.

    Raises
    ------
    InvalidInput
        If nothing is ever asked for or ordering costs less than nothing.

    References
    ----------
    Zheng & Federgruen (1991), Operations Research 39:654-665 (the cost of a pair; from memory); Snyder & Shen (2019),
    Fundamentals of Supply Chain Theory, example 4.7 (value seen through an open package).

    Examples
    --------
    >>> from scipy.stats import poisson
    >>> from forecasting.order_costs import StockCosts, level_costs
    >>> demand = poisson.pmf(np.arange(60), 6.0)
    >>> costs = level_costs(
    ...     demand, levels=np.arange(-5, 60), costs=StockCosts(order=5.0, holding=1.0, waiting=4.0), yearly=6.0
    ... )
    >>> made = least_cost_min_max(demand, level_cost=costs, lowest=-5, order_cost=5.0)
    >>> made.minimum, made.maximum, round(made.cost, 7)
    (4, 10, 8.0341116)
    """
    check(0.0 <= order_cost < np.inf, f"`order_cost` must not be negative, got {order_cost}")
    mass = renewal_mass(probabilities, size=len(level_cost))
    periods = np.cumsum(mass)  # by S - s - 1
    best = MinMax(minimum=lowest - 1, maximum=lowest, cost=np.inf)
    for top in range(len(level_cost)):
        spent = order_cost + np.cumsum(mass[: top + 1] * level_cost[top::-1])
        costs = spent / periods[: top + 1]
        gone = int(np.argmin(costs))
        if costs[gone] < best.cost:
            best = MinMax(minimum=lowest + top - gone - 1, maximum=lowest + top, cost=float(costs[gone]))
    return best
