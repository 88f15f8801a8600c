"""What an item costs a day in the long run, and what leaving it to the next window costs more than renewing it now."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import cumulative_simpson
from scipy.interpolate import CubicHermiteSpline

from forecasting.arrays import FloatArray, check
from forecasting.lifetimes import Lifetime, failure_probability

__all__ = ["Leaving", "LongRun", "MixedLifetime", "cost_of_leaving", "long_run", "mixed"]

STEPS = 6000
"""Ages at which a lifetime is looked at."""
LAST = 1e-9
"""Share alive at the last of them."""
SLIGHT = 1e-6
"""Share of the rate of failing only by which planned renewal must be cheaper to count."""


@dataclass(frozen=True, kw_only=True)
class MixedLifetime:
    """Lifetime of one item whose parameters are not known for sure.

    Parameters
    ----------
    lifetimes : tuple of Lifetime [days]
        One per equally likely set of parameters.
    """

    lifetimes: tuple[Lifetime, ...]

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard: minus the logarithm of the mean chance of surviving."""
        hazards = np.stack([one.cumulative_hazard(age) for one in self.lifetimes])
        least = hazards.min(axis=0)
        return np.asarray(least - np.log(np.exp(least - hazards).mean(axis=0)))

    def quantile(self, probability: float) -> float:
        """Age in days by which this share has failed."""
        ends = [one.quantile(probability) for one in self.lifetimes]
        low, high, wanted = min(ends), max(ends), -np.log1p(-probability)
        for _ in range(80):
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.cumulative_hazard(middle) < wanted else (low, middle)
        return (low + high) / 2.0


@dataclass(frozen=True, kw_only=True)
class LongRun:
    """The cheapest way to keep one item renewed for ever, were it alone.

    Parameters
    ----------
    lifetime : Lifetime [days]
        How long it lasts.
    planned, unplanned : float [money]
        What a renewal costs as planned, and when it ended by itself.
    ages : float array, shape (n,) [days]
        From 0 to where next to none is left.
    lasted : float array, shape (n,) [days]
        Mean of min(life, age).
    rate : float [money per day]
        At the best age of planned renewal.
    interval : float [days]
        That age; infinite: planned renewal never pays.
    """

    lifetime: Lifetime
    planned: float
    unplanned: float
    ages: FloatArray
    lasted: FloatArray
    rate: float
    interval: float

    @cached_property
    def alive(self) -> FloatArray:
        """Share alive at each of the ages."""
        return np.exp(-self.lifetime.cumulative_hazard(self.ages))

    @cached_property
    def oldest(self) -> float:
        """Age beyond which next to none is alive."""
        return self.lifetime.quantile(1.0 - 1e3 * LAST)

    @cached_property
    def days_lived(self) -> CubicHermiteSpline:
        """Mean of min(life, age) as a function of age."""
        return CubicHermiteSpline(self.ages, self.lasted, self.alive)

    @cached_property
    def least_ahead(self) -> FloatArray:
        """Least cost of a life from new less the rate, over renewal at each of the ages or a later one; shape (n,)."""
        cost = self.unplanned * (1.0 - self.alive) + self.planned * self.alive - self.rate * self.lasted
        return np.minimum.accumulate(cost[::-1])[::-1]


@dataclass(frozen=True, kw_only=True)
class Leaving:
    """What it means to leave items of given ages to the next window.

    Parameters
    ----------
    chance : float array, shape (n,) [1]
        That it ends before the next window.
    days_left : float array, shape (n,) [days]
        Mean of min(residual life, days to the next window).
    gain : float array, shape (n,) [money]
        Of renewing now rather than at the next window or on failure: positive if that pays.
    cost : float array, shape (n,) [money]
        Of leaving it: until it is renewed after the next window at the earliest, in excess of the long-run rate.
    """

    chance: FloatArray
    days_left: FloatArray
    gain: FloatArray
    cost: FloatArray


def _vertex(ages: FloatArray, rates: FloatArray, place: int) -> float:
    """Age at the vertex of the parabola through a least rate and its neighbours."""
    if not 0 < place < len(rates) - 1 or not np.isfinite(rates[place - 1]):
        return float(ages[place])
    left, right = ages[place] - ages[place - 1], ages[place + 1] - ages[place]
    fall, rise = (rates[place] - rates[place - 1]) / left, (rates[place + 1] - rates[place]) / right
    bend = (rise - fall) / (left + right)
    return float(ages[place] if bend <= 0.0 else ages[place - 1] + left / 2.0 - fall / (2.0 * bend))


def long_run(lifetime: Lifetime, *, planned: float, unplanned: float) -> LongRun:
    """Find what an item costs a day in the long run, renewed at the best age or on failure.

    The least (planned * R(t) + unplanned * F(t)) / integral of R from 0 to t.

    Parameters
    ----------
    lifetime : Lifetime [days]
        How long it lasts.
    planned, unplanned : float [money]
        What a renewal costs as planned, and when it ended by itself.

    Returns
    -------
    LongRun [money per day]
        Rate and best age.

    Raises
    ------
    InvalidInput
        If a cost isn't positive and finite.

    References
    ----------
    Barlow & Hunter (1960), Operations Research 8:90-100 (age replacement); cases checked: tests/reference/SOURCES.md.

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> best = long_run(Weibull(scale=1000.0, shape=2.5), planned=1.0, unplanned=5.0)
    >>> round(best.interval, 2), round(best.rate, 8)
    (493.05, 0.00346204)
    """
    costs = np.array([planned, unplanned])
    check(bool(np.isfinite(costs).all()) and costs.min() > 0.0, f"costs must be positive, got {costs.tolist()}")
    # even in the logarithm beyond the typical life: some lifetimes have a long tail
    typical, last = lifetime.quantile(0.5), lifetime.quantile(1.0 - LAST)
    ages = typical * np.expm1(np.linspace(0.0, np.log1p(last / typical), STEPS + 1))
    alive = np.exp(-lifetime.cumulative_hazard(ages))
    lasted = np.asarray(cumulative_simpson(alive, x=ages, initial=0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = np.where(lasted > 0.0, (planned * alive + unplanned * (1.0 - alive)) / lasted, np.inf)
    never, place = float(unplanned / lasted[-1]), int(rates.argmin())
    pays = rates[place] < never * (1.0 - SLIGHT)
    best = _vertex(ages, rates, place)
    alive_then = float(np.exp(-lifetime.cumulative_hazard(best)))
    lasted_then = float(CubicHermiteSpline(ages, lasted, alive)(best))
    return LongRun(
        lifetime=lifetime,
        planned=planned,
        unplanned=unplanned,
        ages=ages,
        lasted=lasted,
        rate=(planned * alive_then + unplanned * (1.0 - alive_then)) / lasted_then if pays else never,
        interval=best if pays else float("inf"),
    )


def cost_of_leaving(run: LongRun, *, ages: ArrayLike, days: float) -> Leaving:
    """Say what leaving items of these ages to the next window costs, and what renewing them now gains.

    gain = (unplanned - planned) * P(end before the next window | age) - rate * E[min(residual life, days)]. The cost of
    leaving is the least, over every age of renewal from the next window on, of what the running life costs in excess of
    the rate; of an item that wears out it is gain + planned at the ages at which renewal can pay. Where it isn't more
    than `planned`, leaving it is right, also where a positive gain only says that the next window is no time either.

    Parameters
    ----------
    run : LongRun [money per day]
        Of the item.
    ages : array_like, shape (n,) [days]
        At this window.
    days : float [days]
        From this window to the next.

    Returns
    -------
    Leaving [money]
        One of each per age.

    Raises
    ------
    InvalidInput
        If an age or the days are negative.

    References
    ----------
    DESIGN of this service, section 8 (the rule); Barlow & Hunter (1960), Operations Research 8:90-100 (the age it tends
    to as windows close up).

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> best = long_run(Weibull(scale=1000.0, shape=2.5), planned=1.0, unplanned=5.0)
    >>> cost_of_leaving(best, ages=[492.0, 493.0], days=1.0).gain > 0.0
    array([False,  True])
    """
    start = np.asarray(ages, dtype=np.float64)
    check(bool((start >= 0.0).all()) and days >= 0.0, f"`ages` and `days` must not be negative, got {ages!r}, {days}")
    # beyond, next to none is alive: the oldest age there is stands for it
    start = np.minimum(start, run.oldest)
    end = np.minimum(start + days, run.ages[-1])
    alive = np.exp(-run.lifetime.cumulative_hazard(start))
    left = (run.days_lived(end) - run.days_lived(start)) / alive
    chance = failure_probability(run.lifetime, age=start, days=days)
    gain = (run.unplanned - run.planned) * chance - run.rate * left
    ahead = np.interp(end, run.ages, run.least_ahead)
    spent = run.unplanned * (1.0 - alive) - run.rate * run.days_lived(start)
    return Leaving(
        chance=chance,
        days_left=np.asarray(left),
        gain=np.asarray(gain),
        cost=np.asarray(np.minimum((ahead - spent) / alive, gain + run.planned)),
    )


def mixed(lifetimes: Sequence[Lifetime]) -> MixedLifetime:
    """Mix equally likely lifetimes.

    Parameters
    ----------
    lifetimes : sequence of Lifetime [days]
        One per set of parameters.

    Returns
    -------
    MixedLifetime [days]
        Of an item that has one of them.

    Raises
    ------
    InvalidInput
        If there are none.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 1.3 (posterior predictive; from memory).

    Examples
    --------
    >>> from forecasting.lifetimes import Exponential
    >>> round(mixed([Exponential(scale=100.0), Exponential(scale=100.0)]).quantile(0.5), 6)
    69.314718
    """
    check(bool(lifetimes), "`lifetimes` must not be empty")
    return MixedLifetime(lifetimes=tuple(lifetimes))
