"""How long stock lasts if nothing more is ordered: what is there, and what is on its way, against demand."""

from collections.abc import Sequence

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.stock_positions import OpenOrder

__all__ = ["days_until_short"]


def days_until_short(
    *,
    on_hand: int,
    arrivals: Sequence[OpenOrder],
    demand: Sequence[tuple[float, FloatArray]],
    chance: float,
) -> float | None:
    """Days until more was probably asked for than was there, if nothing more is ordered.

    The first whole day t with P(D(t) > what came until t) > `chance`. Between the days of which demand is known the
    chance that stock lasts is taken as linear.

    Parameters
    ----------
    on_hand : int [kits]
        Usable and not promised; negative: requests wait already.
    arrivals : sequence of OpenOrder [days from now, kits]
        On their way; overdue ones count as if they came today.
    demand : sequence of (days from now, float array of shape (n,)) [1]
        P(D = 0), P(D = 1), ... from now until each of some days.
    chance : float in (0, 1) [1]
        0.5: as likely as not.

    Returns
    -------
    float or None [days]
        None: not before the last day of which demand is known.

    Raises
    ------
    InvalidInput
        If `chance` isn't within (0, 1), or no demand is known.

    References
    ----------
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> days_until_short(on_hand=1, arrivals=[], demand=[(100.0, np.array([0.0, 0.0, 1.0]))], chance=0.5)
    51.0
    """
    check(0.0 < chance < 1.0 and bool(demand), f"`chance` must be within (0, 1), some demand known, got {chance}")
    known = sorted(demand, key=lambda one: one[0])
    ends = np.array([0.0, *(end for end, _ in known)])
    coming = sorted((max(one.due, 0.0), one.qty) for one in arrivals if one.due < ends[-1])
    starts, supply = [0.0], [on_hand]
    for due, qty in coming:
        starts.append(float(np.ceil(due)))
        supply.append(supply[-1] + qty)
    for start, end, there in zip(starts, [*starts[1:], ends[-1] + 1.0], supply, strict=True):
        days = np.arange(start, end)
        lasting = np.interp(days, ends, [_lasts(there, pmf) for pmf in (np.ones(1), *(one for _, one in known))])
        short = np.flatnonzero(lasting < 1.0 - chance)
        if len(short):
            return float(days[short[0]])
    return None


def _lasts(there: int, pmf: FloatArray) -> float:
    """Chance that no more is asked for."""
    return float(pmf[: max(there + 1, 0)].sum())
