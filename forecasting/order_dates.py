"""By when a kit must be ordered to be there on a day, and how likely it is to be there if ordered today."""

from collections.abc import Sequence
from math import ceil

from scipy.special import gammainc, gammaincinv

from forecasting.arrays import check
from forecasting.money_sums import Sums

__all__ = ["Closure", "arrival_chance", "arrival_day", "kits_to_have", "lead_time_at", "open_days", "order_by_day"]

Closure = tuple[int, int]
"""First and last day, both included, on which nothing is ordered, made or delivered."""


def _is_closed(day: int, closures: Sequence[Closure]) -> bool:
    return any(first <= day <= last for first, last in closures)


def _check(lead_days: int, closures: Sequence[Closure]) -> None:
    check(lead_days >= 0, f"`lead_days` must not be negative, got {lead_days}")
    check(all(first <= last for first, last in closures), f"a closure must not end before it begins, got {closures}")


def order_by_day(need: int, *, lead_days: int, closures: Sequence[Closure]) -> int:
    """Last open day on which an order is still in time.

    Parameters
    ----------
    need : int [day number]
        On which the kit has to be there.
    lead_days : int [days]
        Lead time; closed days don't count.
    closures : sequence of (first, last) [day numbers]
        Closed days.

    Returns
    -------
    int [day number]
        Of the order.

    Raises
    ------
    InvalidInput
        If the lead time is negative, or a closure ends before it begins.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> order_by_day(100, lead_days=30, closures=[(80, 86)])
    63
    """  # noqa: DOC502 (comes from _check)
    _check(lead_days, closures)
    day, left = need, lead_days
    while left > 0 or _is_closed(day, closures):
        day -= 1
        left -= 0 if _is_closed(day, closures) else 1
    return day


def arrival_day(ordered: int, *, lead_days: int, closures: Sequence[Closure]) -> int:
    """First open day on which what is ordered on a day is there.

    Parameters
    ----------
    ordered : int [day number]
        Day of the order; on a closed day it waits.
    lead_days : int [days]
        Lead time; closed days don't count.
    closures : sequence of (first, last) [day numbers]
        Closed days.

    Returns
    -------
    int [day number]
        Of the delivery.

    Raises
    ------
    InvalidInput
        As `order_by_day`.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> arrival_day(63, lead_days=30, closures=[(80, 86)])
    100
    """  # noqa: DOC502 (comes from _check)
    _check(lead_days, closures)
    day, left = ordered, lead_days
    while left > 0 or _is_closed(day, closures):
        left -= 0 if _is_closed(day, closures) else 1
        day += 1
    return day


def open_days(first: int, last: int, *, closures: Sequence[Closure]) -> int:
    """Days from one day to another that aren't closed: the lead time an order on the first may take.

    Parameters
    ----------
    first, last : int [day numbers]
        Day of the order and of the need.
    closures : sequence of (first, last) [day numbers]
        Closed days.

    Returns
    -------
    int [days]
        0 if the need comes first.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> open_days(63, 100, closures=[(80, 86)])
    30
    """
    return sum(not _is_closed(day, closures) for day in range(first, last))


def lead_time_at(*, mean: float, spread: float, probability: float) -> int:
    """Lead time, in whole days, that isn't exceeded with a given probability.

    Parameters
    ----------
    mean, spread : float [days]
        Mean and standard deviation; gamma distributed.
    probability : float [1]
        In (0, 1).

    Returns
    -------
    int [days]
        Rounded up.

    Raises
    ------
    InvalidInput
        If mean or spread are negative, or the probability isn't in (0, 1).

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, chapter 6 (from memory).

    Examples
    --------
    >>> lead_time_at(mean=60.0, spread=60.0, probability=0.9)  # exponential: 60 * log(10)
    139
    """
    check(mean >= 0.0 <= spread, f"`mean` and `spread` must not be negative, got {mean}, {spread}")
    check(0.0 < probability < 1.0, f"`probability` must lie in (0, 1), got {probability}")
    if mean == 0.0 or spread <= 1e-6 * mean:
        return ceil(mean)
    shape = (mean / spread) ** 2
    return ceil(float(gammaincinv(shape, probability)) * mean / shape)


def arrival_chance(*, mean: float, spread: float, days: float) -> float:
    """Chance that what is ordered arrives within so many open days.

    Parameters
    ----------
    mean, spread : float [days]
        Of the lead time.
    days : float [days]
        From order to need.

    Returns
    -------
    float [1]
        0 if there are no days left, unless there is no lead time.

    References
    ----------
    As `lead_time_at`.

    Examples
    --------
    >>> round(arrival_chance(mean=60.0, spread=60.0, days=60.0), 6)
    0.632121
    """
    if mean == 0.0 or spread <= 1e-6 * mean:
        return float(days >= mean)
    shape = (mean / spread) ** 2
    return float(gammainc(shape, max(days, 0.0) * shape / mean))


def kits_to_have(wanted: Sums, *, probability: float) -> int:
    """Least number of a kit that suffices with a given probability.

    Parameters
    ----------
    wanted : Sums [kits]
        From `kits_wanted`.
    probability : float [1]
        In (0, 1).

    Returns
    -------
    int [kits]
        To have on the day.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> import numpy as np
    >>> kits_to_have(Sums(step=1.0, chances=np.array([0.5, 0.3, 0.2])), probability=0.8)
    1
    """
    return round(wanted.quantile(probability))
