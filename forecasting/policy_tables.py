"""Stock levels of thousands of kits at once: a table with one distribution a row in, one level or policy a row out."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.errors import InfeasibleTarget

__all__ = ["OrderPolicies", "base_stock_levels", "least_cost_policies"]

BLOCK = 512
"""Rows worked on together, so that they stay in the processor's cache."""
NOTHING = 1e-18
"""Chance that changes no sum."""
MOST_STEPS = 200
"""Policy iteration ends by itself, mostly after 5 to 10 steps."""


@dataclass(frozen=True, kw_only=True)
class OrderPolicies:
    """When to order, how many, and what that costs, kit by kit.

    Parameters
    ----------
    reorder_point, order_quantity : int array, shape (kits,) [kits]
        r and Q.
    cost : float array, shape (kits,) [money per year]
        Of ordering, holding and waiting.
    """

    reorder_point: IntArray
    order_quantity: IntArray
    cost: FloatArray


def _blocks(rows: int) -> Iterator[slice]:
    """Cut so many rows into blocks."""
    return (slice(begin, begin + BLOCK) for begin in range(0, rows, BLOCK))


def base_stock_levels(table: FloatArray, *, targets: FloatArray) -> IntArray:
    """Lowest stock that covers the demand of each kit as surely as wanted.

    Smallest S with P(D <= S) >= target.

    Parameters
    ----------
    table : float array, shape (kits, n) [1]
        P(D = 0), P(D = 1), ... of each kit; zeros behind a shorter one.
    targets : float array in (0, 1), shape (kits,) [1]
        Wanted chance of no stock-out.

    Returns
    -------
    int array, shape (kits,) [kits]
        Levels.

    Raises
    ------
    InvalidInput
        If a target isn't within (0, 1).
    InfeasibleTarget
        If a distribution ends before its target is reached.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, section 4.3 (discrete newsvendor; example 4.7 through an
    open package).

    Examples
    --------
    >>> base_stock_levels(np.array([[0.5, 0.3, 0.2], [0.9, 0.1, 0.0]]), targets=np.array([0.75, 0.75]))
    array([1, 0])
    """
    within = (targets > 0.0) & (targets < 1.0)
    check(bool(within.all()), f"targets must be within (0, 1), got {targets[~within][:3].tolist()}")
    levels = np.empty(len(table), dtype=np.int64)
    for block in _blocks(len(table)):
        reached = np.cumsum(table[block], axis=1) >= (targets[block] - 1e-12)[:, None]
        levels[block] = reached.argmax(axis=1)
        missed = np.flatnonzero(~reached[:, -1])
        if len(missed):
            row = block.start + int(missed[0])
            raise InfeasibleTarget(f"no level of row {row} reaches a cycle service level of {targets[row]}")
    return levels


@dataclass(frozen=True, kw_only=True)
class _Levels:
    """Cost of every level of some kits; below and above the table it goes on as a straight line."""

    table: FloatArray  # (kits, n)
    mean: FloatArray
    holding: FloatArray
    waiting: FloatArray

    def below(self, average: FloatArray) -> FloatArray:
        """How many levels below 0 cost less than this."""
        return np.asarray(np.maximum(np.ceil(average / self.waiting - self.mean) - 1.0, 0.0))

    def above(self, average: FloatArray) -> FloatArray:
        """How many levels beyond the table cost less than this."""
        size = self.table.shape[1]
        return np.asarray(np.maximum(np.ceil(average / self.holding + self.mean - size), 0.0))

    def saved(self, average: FloatArray) -> tuple[FloatArray, FloatArray]:
        """By how much all levels that cost less than this do so, and how many they are."""
        low, high, size = self.below(average), self.above(average), self.table.shape[1]
        less = average[:, None] - self.table
        number = np.count_nonzero(less > 0.0, axis=1) + low + high
        inside = np.maximum(less, 0.0, out=less).sum(axis=1)
        beneath = low * average - self.waiting * (low * self.mean + low * (low + 1.0) / 2.0)
        behind = high * average - self.holding * (high * (size - self.mean) + high * (high - 1.0) / 2.0)
        return inside + beneath + behind, number


def _levels(table: FloatArray, holding: FloatArray, waiting: FloatArray) -> _Levels:
    """G(y) = h (y - mean) + (h + b) E[(D - y)+] for y = 0 .. n - 1."""
    beyond = np.cumsum(table[:, ::-1], axis=1)[:, ::-1]  # P(D >= y)
    short = np.zeros_like(beyond)
    np.cumsum(beyond[:, :0:-1], axis=1, out=short[:, -2::-1])  # E[(D - y)+]
    mean = short[:, 0].copy()
    short *= (holding + waiting)[:, None]
    short += holding[:, None] * np.arange(table.shape[1])
    short -= (holding * mean)[:, None]
    return _Levels(table=short, mean=mean, holding=holding, waiting=waiting)


def _lowest_average(levels: _Levels, fixed: FloatArray) -> FloatArray:
    """Cost C with sum of (C - G(y))+ = fixed: what the levels that cost less than C cost on average, ordering included.

    Newton's steps, each of them the cost of a policy, so they fall to the least.
    """
    rates = levels.holding * levels.waiting / (levels.holding + levels.waiting)
    average = levels.table.min(axis=1) + np.sqrt(2.0 * fixed * rates)  # as if demand came evenly
    for step in range(MOST_STEPS):
        saved, number = levels.saved(average)
        lower = average - (saved - fixed) / number
        if step and not (lower < average * (1.0 - 1e-13)).any():
            break
        average = np.minimum(average, lower) if step else lower
    return np.asarray(average)


def _like_blocks(table: FloatArray) -> Iterator[tuple[IntArray, int]]:
    """Rows of about the same length together, and how long the longest of them is: most kits are asked for seldom."""
    lengths = table.shape[1] - (table[:, ::-1] > NOTHING).argmax(axis=1)
    order = np.argsort(lengths, kind="stable")
    for block in _blocks(len(table)):
        yield order[block], int(lengths[order[block]].max())


def least_cost_policies(
    table: FloatArray, *, order: FloatArray, holding: FloatArray, waiting: FloatArray, yearly: FloatArray
) -> OrderPolicies:
    """Reorder points and order quantities that cost least, exactly, for any demand, without packs and minimums.

    The levels r + 1 .. r + Q of the best policy are those that cost less than its average. Where one kit has packs, a
    minimum or a cost a kit short, `forecasting.order_costs.least_cost_policy` decides.

    Parameters
    ----------
    table : float array, shape (kits, n) [1]
        P(D = 0), P(D = 1), ... of each kit from reaching the reorder point to the arrival of the order.
    order : float array, shape (kits,) [money per order]
        Of placing one.
    holding, waiting : float array, shape (kits,) [money per kit and year]
        Of a kit on the shelf, and of one asked for as long as it is missing.
    yearly : float array, shape (kits,) [kits per year]
        Kits asked for.

    Returns
    -------
    OrderPolicies [kits and money per year]
        Reorder points may be below 0, where waiting is cheap.

    Raises
    ------
    InvalidInput
        If ordering, holding, waiting or a demand isn't positive.

    References
    ----------
    Federgruen & Zheng (1992), Operations Research 40:808-813 (the cheapest levels; from memory); Snyder & Shen
    (2019), Fundamentals of Supply Chain Theory, example 5.8 (value seen through an open package).

    Examples
    --------
    >>> from scipy.stats import poisson
    >>> one, lead_time_demand = np.ones(1), poisson.pmf(np.arange(40), 3.0)
    >>> made = least_cost_policies(
    ...     lead_time_demand[None], order=100 * one, holding=20 * one, waiting=150 * one, yearly=1.5 * one
    ... )
    >>> int(made.reorder_point[0]), int(made.order_quantity[0]), round(float(made.cost[0]), 7)
    (3, 5, 107.9235806)
    """
    numbers = np.stack([order, holding, waiting, yearly])
    check(bool((numbers > 0).all() and np.isfinite(numbers).all()), "costs and demand must be positive and finite")
    points, quantities, cost = np.empty(len(table)), np.empty(len(table)), np.empty(len(table))
    for rows, length in _like_blocks(table):
        levels = _levels(table[rows, :length], holding[rows], waiting[rows])
        cost[rows] = average = _lowest_average(levels, order[rows] * yearly[rows])
        kept, low = levels.table < average[:, None], levels.below(average)
        first = np.where(kept.any(axis=1), kept.argmax(axis=1), length)
        points[rows] = np.where(low > 0, -low, first) - 1.0
        quantities[rows] = low + np.count_nonzero(kept, axis=1) + levels.above(average)
    return OrderPolicies(reorder_point=points.astype(np.int64), order_quantity=quantities.astype(np.int64), cost=cost)
