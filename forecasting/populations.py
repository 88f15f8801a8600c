"""Demand of very many like valves whose ages come as one column: a population as numbers of valves by age."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from forecasting.arrays import IntArray, check
from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, Window, kits_taken
from forecasting.demand import Demand, demand_by_row

__all__ = ["population_demand"]


def population_demand(plan: ItemPlan, ages: IntArray, windows: Sequence[Window]) -> dict[Window, Demand]:
    """Exact demand of valves of one class, each with one item whose age is known, in any windows.

    What one valve takes is computed once for each age in whole days, so a valve more costs no more than counting it.

    Parameters
    ----------
    plan : ItemPlan [plan]
        How long the item lasts, how it is renewed and what that takes.
    ages : int array, shape (valves,) [days]
        Since each was renewed.
    windows : sequence of (start, end] [days from now]
        Any windows.

    Returns
    -------
    dict from window to Demand [kits]
        With the lifetime taken as known.

    Raises
    ------
    InvalidInput
        If there is no valve, or an age isn't a whole number of at least 0.

    References
    ----------
    DEVELOPERS.md, "Speed of a run".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))
    >>> found = population_demand(plan, np.array([9, 40, 9]), [(0.0, 50.0)])
    >>> round(found[0.0, 50.0].mean, 4)
    0.15
    """
    known = ages.ndim == 1 and ages.size > 0 and np.issubdtype(ages.dtype, np.integer) and ages.min() >= 0
    check(bool(known), f"`ages` must be whole days of at least 0, shape (valves,), got {ages[:3]}")
    valves = np.bincount(ages)
    found = np.flatnonzero(valves)
    stand = ItemAge(valve="", item=plan.item, service_class="", age=0, survived=0, in_place=0, awaits_renewal=False)
    stands = tuple({plan.item: replace(stand, age=age, survived=age, in_place=age)} for age in found.tolist())
    group = Group(plans=(plan,), valves=tuple(map(str, found.tolist())), ages=stands)
    (taken,) = kits_taken(group, windows)
    return {window: demand_by_row(taken, window, valves=valves[found]) for window in windows}
