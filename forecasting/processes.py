"""What ends a life: lifetimes of items renewed together, and when they are renewed as planned."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.calendars import INSTANT
from forecasting.lifetimes import Lifetime, hazard_ahead

__all__ = ["Process"]


@dataclass(frozen=True, kw_only=True)
class Process:
    """Items of one valve that are always renewed together.

    Parameters
    ----------
    lifetimes : tuple of Lifetime [days]
        One per item; their hazards add.
    interval : float [days]
        Renewed at the latest so long after the last renewal (predetermined policy); infinite: never.
    opportunity : float [days]
        Renewed at a turnaround if at least so old (opportunistic policy); infinite: never.
    turnarounds : tuple of float [days from now]
        Dates of those to come.

    Raises
    ------
    InvalidInput
        If it has no lifetime or the interval isn't positive.
    """

    lifetimes: tuple[Lifetime, ...]
    interval: float = np.inf
    opportunity: float = np.inf
    turnarounds: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what can't be."""
        check(bool(self.lifetimes) and self.interval > 0, f"a process needs a lifetime and an interval > 0, got {self}")

    def due(self, since: FloatArray, age: FloatArray) -> FloatArray:
        """Date of the planned renewal of what is so old on that date, infinite where there is none; shape as given."""
        dates = np.array(self.turnarounds)
        ahead = dates - since[..., None]
        # dates that are one but for rounding must not fall on two sides
        chances = (ahead > INSTANT) & (ahead + age[..., None] >= self.opportunity - INSTANT)
        planned = since + np.maximum(self.interval - age, 0.0)
        return np.asarray(np.minimum(planned, np.where(chances, dates, np.inf).min(axis=-1, initial=np.inf)))

    def survival(self, ages: FloatArray, ahead: FloatArray) -> FloatArray:
        """P(no failure in so many days more at these ages), shape of `ahead`; a column of `ages` is one item's."""
        parts = [
            -hazard_ahead(lifetime, age=age, days=ahead)
            for lifetime, age in zip(self.lifetimes, np.moveaxis(ages, -1, 0), strict=True)
        ]
        return np.asarray(np.exp(sum(parts)))
