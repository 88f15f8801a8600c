"""How long orders really take: the stated lead time and what was received, shrunk together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import check

__all__ = ["LeadTime", "OrderTaken", "lead_time_seen"]

STATED_WORTH = 4.0
"""So many received orders are worth as much as what is stated (our convention)."""
SPREAD_WORTH = 4.0
UNKNOWN_SPREAD = 0.3
"""Spread over mean where nobody states one and orders were received (our convention)."""


@dataclass(frozen=True, kw_only=True)
class OrderTaken:
    """How long one order took.

    Parameters
    ----------
    days : float [days]
        From order to receipt, or until now.
    received : bool [yes or no]
        No: it takes at least this long.

    Raises
    ------
    InvalidInput
        If the time is negative or no number.
    """

    days: float
    received: bool = True

    def __post_init__(self) -> None:
        """Refuse what is no time."""
        check(0.0 <= self.days < np.inf, f"`days` must not be negative, got {self}")


@dataclass(frozen=True, kw_only=True)
class LeadTime:
    """Lead time as it is planned with.

    Parameters
    ----------
    mean, spread : float [days]
        And standard deviation.
    seen : int [orders]
        That it rests on, beside what is stated; open ones that take longer than stated among them.
    """

    mean: float
    spread: float
    seen: int


def lead_time_seen(taken: Sequence[OrderTaken], *, stated: float, stated_spread: float | None) -> LeadTime:
    """Shrink what is stated and what orders took together.

    Mean (a L + sum x) / (a + n); variance (b s^2 + sum (x - xbar)^2 + a n / (a + n) (xbar - L)^2) / (b + n), L and s
    as stated, a and b orders' worth: the centre of a normal-inverse-gamma posterior. An open order counts once it has
    taken longer than stated, as if it came today: leaving it out would hear only of orders that are on time.

    Parameters
    ----------
    taken : sequence of OrderTaken [days]
        Of this kit, or of kits that come the same way.
    stated : float [days]
        L.
    stated_spread : float or None [days]
        s; None: not stated.

    Returns
    -------
    LeadTime [days]
        Without any order: as stated, and no spread where none is.

    Raises
    ------
    InvalidInput
        If what is stated is negative or not finite.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 3.3 (normal data, both parameters unknown; from memory).

    Examples
    --------
    >>> lead_time_seen([OrderTaken(days=80.0)] * 4, stated=60.0, stated_spread=10.0)
    LeadTime(mean=70.0, spread=12.24744871391589, seen=4)
    """
    spread = 0.0 if stated_spread is None else stated_spread
    check(0.0 <= stated < np.inf and 0.0 <= spread < np.inf, f"`stated` must not be negative, got {stated}, {spread}")
    days = np.array([one.days for one in taken if one.received or one.days > stated])
    if not len(days):
        return LeadTime(mean=stated, spread=spread, seen=0)
    number, mean = len(days), float(days.mean())
    if stated_spread is None:
        spread = UNKNOWN_SPREAD * stated
    apart = STATED_WORTH * number / (STATED_WORTH + number) * (mean - stated) ** 2
    squares = SPREAD_WORTH * spread**2 + float(((days - mean) ** 2).sum()) + apart
    return LeadTime(
        mean=(STATED_WORTH * stated + number * mean) / (STATED_WORTH + number),
        spread=float(np.sqrt(squares / (SPREAD_WORTH + number))),
        seen=number,
    )
