"""What a stock level achieves, cycle service level and fill rate; the lowest level that meets a target of either."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.errors import InfeasibleTarget

__all__ = [
    "ServiceLevels",
    "expected_backorders",
    "mixture",
    "reorder_point_by_cycle",
    "reorder_point_by_fill",
    "service_levels",
]


def mixture(probabilities: Sequence[FloatArray], weights: FloatArray) -> FloatArray:
    """Mix distributions of different length.

    Parameters
    ----------
    probabilities : sequence of float array [1]
        Each P(D = 0), P(D = 1), ...
    weights : float array [1]
        Sum to 1.

    Returns
    -------
    float array, shape (longest,) [1]
        The mixture.

    References
    ----------
    The law of total probability.

    Examples
    --------
    >>> mixture([np.array([1.0]), np.array([0.0, 1.0])], np.array([0.75, 0.25]))
    array([0.75, 0.25])
    """
    mixed = np.zeros(max(len(one) for one in probabilities))
    for one, weight in zip(probabilities, weights, strict=True):
        mixed[: len(one)] += weight * one
    return mixed


def expected_backorders(demand: FloatArray) -> FloatArray:
    """Add up the kits short to be expected at every level of stock.

    EBO(s) = EBO(s - 1) - P(D >= s), EBO(0) = mean: added up from the far end, where nothing cancels.

    Parameters
    ----------
    demand : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...

    Returns
    -------
    float array, shape (n,) [kits]
        EBO(0) to EBO(n - 1) = 0; falls ever more slowly.

    References
    ----------
    Sherbrooke (2004), Optimal Inventory Modeling of Systems, chapter 2 (from memory).

    Examples
    --------
    >>> expected_backorders(np.array([0.5, 0.25, 0.25]))
    array([0.75, 0.25, 0.  ])
    """
    above = np.cumsum(demand[::-1])[::-1]  # P(D >= s)
    return np.asarray(np.append(np.cumsum(above[:0:-1])[::-1], 0.0))


def reorder_point_by_cycle(probabilities: FloatArray, *, cycle_service_level: float) -> int:
    """Lowest stock position at which to order so that a replenishment cycle ends without a stock-out this surely.

    Smallest r with P(D <= r) >= target, D the demand from reaching r to the arrival of the order.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ..., lead-time spread and review period mixed in.
    cycle_service_level : float in (0, 1) [1]
        Wanted chance of no stock-out in a cycle.

    Returns
    -------
    int [kits]
        Order when the stock position falls to this level.

    Raises
    ------
    InfeasibleTarget
        If the distribution ends before the target is reached.

    References
    ----------
    Snyder & Shen (2019), Fundamentals of Supply Chain Theory, section 4.3 (discrete newsvendor; example 4.7 through an
    open package).

    Examples
    --------
    >>> reorder_point_by_cycle(np.array([0.5, 0.3, 0.2]), cycle_service_level=0.75)
    1
    """
    check(0.0 < cycle_service_level < 1.0, f"`cycle_service_level` must be within (0, 1), got {cycle_service_level}")
    reached = np.cumsum(probabilities) >= cycle_service_level - 1e-12
    if not reached.any():
        raise InfeasibleTarget(f"no level reaches a cycle service level of {cycle_service_level}")
    return int(np.argmax(reached))


@dataclass(frozen=True, kw_only=True)
class ServiceLevels:
    """What a reorder point and order quantity achieve.

    Parameters
    ----------
    cycle_service_level : float [1]
        Chance of no stock-out in a replenishment cycle.
    fill_rate : float [1]
        Share of the demand met from the shelf.
    """

    cycle_service_level: float
    fill_rate: float


def _shortage(probabilities: FloatArray, level: int) -> float:
    """E[(D - level)+]."""
    counts = np.arange(len(probabilities))
    return float(probabilities @ np.maximum(counts - level, 0))


def service_levels(probabilities: FloatArray, *, reorder_point: int, order_quantity: int) -> ServiceLevels:
    """Cycle service level and fill rate of a reorder point with an order quantity.

    Fill rate 1 - (E[(D - r)+] - E[(D - r - Q)+]) / Q: shortage of a cycle over what it delivers.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand from reaching the reorder point to the arrival of the order.
    reorder_point, order_quantity : int [kits]
        r and Q.

    Returns
    -------
    ServiceLevels [1]
        Both, never one "service level".

    Raises
    ------
    InvalidInput
        If the order quantity isn't positive or the reorder point is below -1 (ordered when one is asked for).

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, section 6.7 (from memory);
    Poisson base stock values in tests/reference.

    Examples
    --------
    >>> service_levels(np.array([0.5, 0.3, 0.2]), reorder_point=1, order_quantity=2)
    ServiceLevels(cycle_service_level=0.8, fill_rate=0.9)
    """
    check(
        order_quantity > 0 and reorder_point >= -1,
        f"`order_quantity` must be positive, `reorder_point` at least -1, got {order_quantity}, {reorder_point}",
    )
    after = _shortage(probabilities, reorder_point) - _shortage(probabilities, reorder_point + order_quantity)
    return ServiceLevels(
        cycle_service_level=float(min(1.0, probabilities[: reorder_point + 1].sum())),
        fill_rate=float(min(1.0, 1.0 - after / order_quantity)),
    )


def reorder_point_by_fill(probabilities: FloatArray, *, fill_rate: float, order_quantity: int) -> int:
    """Lowest reorder point whose fill rate meets the target, the order quantity given.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand from reaching the reorder point to the arrival of the order.
    fill_rate : float in (0, 1) [1]
        Wanted share of the demand met from the shelf.
    order_quantity : int [kits]
        Chosen first.

    Returns
    -------
    int [kits]
        Order when the stock position falls to this level.

    Raises
    ------
    InvalidInput
        If the target isn't within (0, 1) or the order quantity isn't positive.

    References
    ----------
    As `service_levels`.

    Examples
    --------
    >>> reorder_point_by_fill(np.array([0.5, 0.3, 0.2]), fill_rate=0.9, order_quantity=2)
    1
    """
    check(0.0 < fill_rate < 1.0, f"`fill_rate` must be within (0, 1), got {fill_rate}")
    check(order_quantity > 0, f"`order_quantity` must be positive, got {order_quantity}")
    shortage = expected_backorders(probabilities)  # by level, the last one covers all
    later = np.minimum(np.arange(len(shortage)) + order_quantity, len(shortage) - 1)
    filled = 1.0 - (shortage - shortage[later]) / order_quantity
    return int(np.argmax(filled >= fill_rate - 1e-12))
