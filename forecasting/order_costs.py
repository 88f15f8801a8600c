"""What a reorder point and order quantity cost a year, and the pair that costs least, for any demand."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check

__all__ = ["OrderPolicy", "StockCosts", "cost_rate", "least_cost_policy", "level_costs"]


@dataclass(frozen=True, kw_only=True)
class StockCosts:
    """What ordering, holding and being short cost.

    Parameters
    ----------
    order : float [money per order]
        Of placing one.
    holding : float [money per kit and year]
        Of a kit on the shelf.
    waiting : float [money per kit and year]
        Of a kit asked for, as long as it is missing.
    shortage : float [money per kit]
        Of a kit asked for and not there, however long that lasts.

    Raises
    ------
    InvalidInput
        If holding isn't positive, a cost is negative or not finite, or being short costs nothing.
    """

    order: float
    holding: float
    waiting: float = 0.0
    shortage: float = 0.0

    def __post_init__(self) -> None:
        """Refuse costs that decide nothing."""
        every = np.array([self.order, self.holding, self.waiting, self.shortage])
        possible = bool(np.isfinite(every).all()) and every.min() >= 0 < min(self.holding, self.waiting + self.shortage)
        check(possible, f"`holding` and one of `waiting`, `shortage` must be positive, none negative, got {self}")


@dataclass(frozen=True, kw_only=True)
class OrderPolicy:
    """When to order, how many, and what that costs.

    Parameters
    ----------
    reorder_point, order_quantity : int [kits]
        r and Q.
    cost : float [money per year]
        Of ordering, holding and being short.
    """

    reorder_point: int
    order_quantity: int
    cost: float


def level_costs(probabilities: FloatArray, *, levels: IntArray, costs: StockCosts, yearly: float) -> FloatArray:
    """Cost a year of a stock position: of what is left of it, or lacks, once it has met the demand it must cover.

    G(y) = h E[(y - D)+] + b E[(D - y)+] + a N P(D >= y), N the kits asked for in a year.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand D from reaching the reorder point to the arrival of the order.
    levels : int array, shape (m,) [kits]
        y, also below 0.
    costs : StockCosts [money]
        h holding, b waiting, a shortage.
    yearly : float [kits per year]
        N.

    Returns
    -------
    float array, shape (m,) [money per year]
        G at each level.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, section 5.5 (waiting cost; example 5.8 through an open
    package); Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, section 6.5 (cost a
    kit short; from memory).

    Examples
    --------
    >>> level_costs(np.array([0.5, 0.5]), levels=np.array([0, 1]), costs=StockCosts(order=0, holding=2, waiting=8),
    ...     yearly=1.0)
    array([4., 1.])
    """
    beyond = np.append(np.cumsum(probabilities[::-1])[::-1], 0.0)  # P(D >= k), k = 0 .. n
    short = np.append(np.cumsum(beyond[:0:-1])[::-1], 0.0)  # E[(D - k)+], k = 0 .. n
    at = np.clip(levels, 0, len(probabilities))
    lacking = short[at] + np.maximum(-levels, 0) * beyond[0]
    mean = float(short[0])
    left = lacking + levels * beyond[0] - mean  # E[(y - D)+] = y - E[D] + E[(D - y)+]
    return np.asarray(
        costs.holding * np.maximum(left, 0.0) + costs.waiting * lacking + costs.shortage * yearly * beyond[at]
    )


def cost_rate(
    probabilities: FloatArray, *, reorder_point: int, order_quantity: int, costs: StockCosts, yearly: float
) -> float:
    """Cost a year of a reorder point with an order quantity.

    (K N + sum of G(y) over y = r + 1 .. r + Q) / Q: after an order the position is any of these alike.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand from reaching the reorder point to the arrival of the order.
    reorder_point, order_quantity : int [kits]
        r and Q.
    costs : StockCosts [money]
        K order; see `level_costs`.
    yearly : float [kits per year]
        N.

    Returns
    -------
    float [money per year]
        Without the price of the kits.

    Raises
    ------
    InvalidInput
        If the order quantity isn't positive.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, section 5.5, example 5.8 (value seen through an open
    package).

    Examples
    --------
    >>> from scipy.stats import poisson
    >>> costs = StockCosts(order=100.0, holding=20.0, waiting=150.0)
    >>> lead_time_demand = poisson.pmf(np.arange(40), 3.0)
    >>> round(cost_rate(lead_time_demand, reorder_point=3, order_quantity=5, costs=costs, yearly=1.5), 7)
    107.9235806
    """
    check(order_quantity > 0, f"`order_quantity` must be positive, got {order_quantity}")
    # above all demand G is a straight line, however large the order
    last = reorder_point + order_quantity
    top = min(last, max(reorder_point, len(probabilities)))
    levels = np.append(np.arange(reorder_point + 1, top + 1), [top + 1, last])
    made = level_costs(probabilities, levels=levels, costs=costs, yearly=yearly)
    running = made[:-2].sum() + (last - top) * made[-2:].mean()
    return float((costs.order * yearly + running) / order_quantity)


def _least_cost_point(
    probabilities: FloatArray, *, costs: StockCosts, yearly: float, lowest: int, quantity: int
) -> OrderPolicy:
    """Best reorder point of one order quantity: a step up takes its lowest level away and adds one on top."""
    levels = np.arange(lowest + 1, max(lowest, len(probabilities)) + 1)
    added, taken = (
        level_costs(probabilities, levels=steps, costs=costs, yearly=yearly) for steps in (levels + quantity, levels)
    )
    point = lowest + int(np.argmin(np.concatenate(([0.0], np.cumsum(added - taken)))))
    cost = cost_rate(probabilities, reorder_point=point, order_quantity=quantity, costs=costs, yearly=yearly)
    return OrderPolicy(reorder_point=point, order_quantity=quantity, cost=cost)


def least_cost_policy(
    probabilities: FloatArray,
    *,
    costs: StockCosts,
    yearly: float,
    most: int,
    lowest: int = -1,
    pack: int = 1,
    least: int = 1,
) -> OrderPolicy:
    """Reorder point and order quantity that together cost least, exactly, for any demand.

    For every quantity the best reorder point, by sums over windows of levels. No window of Q levels costs less than
    the Q cheapest levels, so only quantities whose cheapest levels beat the best pair found are looked at.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand from reaching the reorder point to the arrival of the order.
    costs : StockCosts [money]
        Of ordering, holding and being short.
    yearly : float [kits per year]
        Kits asked for.
    most : int [kits]
        Orders are at most this, but for a pack or a minimum that forbids it.
    lowest : int [kits]
        Reorder points are at least this; -1: ordered when one is asked for.
    pack, least : int [kits]
        Orders are multiples of the one and at least the other.

    Returns
    -------
    OrderPolicy [kits and money per year]
        Of two that cost the same, the smaller order.

    Raises
    ------
    InvalidInput
        If `pack`, `least` or `most` isn't positive or `yearly` is negative or not finite.

    References
    ----------
    Federgruen & Zheng (1992), Operations Research 40:808-813 (the cheapest levels; from memory); Snyder & Shen
    (2019), Fundamentals of Supply Chain Theory, example 5.8 (value seen through an open package).

    Examples
    --------
    >>> from scipy.stats import poisson
    >>> costs = StockCosts(order=100.0, holding=20.0, waiting=150.0)
    >>> made = least_cost_policy(poisson.pmf(np.arange(40), 3.0), costs=costs, yearly=1.5, most=100)
    >>> made.reorder_point, made.order_quantity
    (3, 5)
    """
    possible = min(pack, least, most) > 0 and 0.0 <= yearly < np.inf
    check(possible, f"`pack`, `least`, `most` must be positive, `yearly` finite, got {pack}, {least}, {most}, {yearly}")
    first = -(-least // pack) * pack
    if first >= most:
        return _least_cost_point(probabilities, costs=costs, yearly=yearly, lowest=lowest, quantity=first)
    quantities = np.arange(first, most + 1, pack)
    levels = np.arange(lowest + 1, max(lowest, len(probabilities)) + int(quantities[-1]) + 1)
    running = level_costs(probabilities, levels=levels, costs=costs, yearly=yearly)
    sums = np.concatenate(([0.0], np.cumsum(running)))
    fixed = costs.order * yearly
    cheapest = (fixed + np.cumsum(np.sort(running))[quantities - 1]) / quantities
    best = OrderPolicy(reorder_point=lowest, order_quantity=first, cost=np.inf)
    for number in np.argsort(cheapest, kind="stable"):
        if cheapest[number] >= best.cost:
            break
        quantity = int(quantities[number])
        windows = sums[quantity:] - sums[:-quantity]
        at = int(np.argmin(windows))
        cost = float((fixed + running[at : at + quantity].sum()) / quantity)
        if cost < best.cost:
            best = OrderPolicy(reorder_point=lowest + at, order_quantity=quantity, cost=cost)
    return best
