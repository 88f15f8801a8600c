"""How old an item is at a day to come, and how likely it fails before: its age known, or a distribution."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.ages import unknown_age
from forecasting.arrays import FloatArray, check
from forecasting.clocks import ItemAge
from forecasting.cost_rates import Leaving, LongRun, cost_of_leaving
from forecasting.lifetimes import Lifetime, failure_probability
from forecasting.processes import Process

__all__ = ["WindowAge", "age_at_window", "failing_between", "failing_within", "mean_leaving"]

PARTS = 24
"""Ages that stand for one that isn't known."""
GONE = 1e-12
"""Nothing so unlikely is followed up."""


@dataclass(frozen=True, kw_only=True)
class WindowAge:
    """Where one item stands now and at a window, given that it lasts until then.

    Parameters
    ----------
    ages : float array, shape (n,) [days]
        Now; one only if it is known.
    weights : float array, shape (n,) [1]
        Of those ages now; they sum to 1.
    ages_then, weights_then : float array, shape (n,) [days, 1]
        The same at the window, given that it lasts until then or is renewed as planned.
    """

    ages: FloatArray
    weights: FloatArray
    ages_then: FloatArray
    weights_then: FloatArray

    @property
    def mean(self) -> float:
        """Mean age at the window, in days."""
        return float(self.ages_then @ self.weights_then)


def _lasting(ages: FloatArray, weights: FloatArray, lifetime: Lifetime, days: FloatArray) -> FloatArray:
    """Weights of ages among items that last so many days more, shape (n,)."""
    lasts = weights * (1.0 - failure_probability(lifetime, age=ages, days=days))
    return weights if lasts.sum() < GONE else lasts / lasts.sum()


def age_at_window(age: ItemAge, lifetime: Lifetime, *, days: float, interval: float) -> WindowAge:
    """Say how old an item is at a window.

    Parameters
    ----------
    age : ItemAge [days]
        Where it stands now; not awaiting renewal.
    lifetime : Lifetime [days]
        How long such items last.
    days : float [days]
        From now to the window.
    interval : float [days]
        It is renewed on the run at the latest so old; infinite: it isn't.

    Returns
    -------
    WindowAge [days]
        Where its start isn't known, that of `unknown_age` by the item's own lifetime.

    Raises
    ------
    InvalidInput
        If the days are negative.

    References
    ----------
    Cox (1962), Renewal Theory, sections 5.1 and 5.2 (backward recurrence time; from memory).

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = ItemAge(
    ...     valve="V", item="seat", service_class="air", age=100, survived=100, in_place=900, awaits_renewal=False
    ... )
    >>> age_at_window(seat, Weibull(scale=1000.0, shape=2.0), days=300.0, interval=float("inf")).mean
    400.0
    """
    check(days >= 0.0, f"`days` must not be negative, got {days}")
    if age.age is not None:
        ages, weights = np.array([float(age.age)]), np.ones(1)
    else:
        in_place = None if age.in_place is None else float(age.in_place)
        survived = float(age.survived) if in_place is None else min(float(age.survived), in_place)
        mix = unknown_age(
            Process(lifetimes=(lifetime,), interval=interval), in_place=in_place, survived=survived, parts=PARTS
        )
        ages, weights = mix.ages, mix.weights
    old = ages + days
    # renewed as planned when it is due, and so on until the window; it need not last longer than that
    lasting = np.minimum(days, np.maximum(interval - ages, 0.0))
    return WindowAge(
        ages=ages,
        weights=weights,
        ages_then=np.where(old >= interval, old % interval, old),
        weights_then=_lasting(ages, weights, lifetime, lasting),
    )


def failing_between(where: WindowAge, lifetimes: Sequence[Lifetime], *, first: float, last: float) -> FloatArray:
    """Chance that an item fails within some days to come and isn't renewed before.

    Parameters
    ----------
    where : WindowAge [days]
        Where it stands now.
    lifetimes : sequence of Lifetime, length k [days]
        One per point of what is known.
    first, last : float [days from now]
        It fails after the first day, and on the last one at the latest.

    Returns
    -------
    float array, shape (k,) [1]
        At each point.

    References
    ----------
    DESIGN of this service, section 8 (emergent).

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> new = np.zeros(1)
    >>> where = WindowAge(ages=new, weights=np.ones(1), ages_then=new + 100.0, weights_then=np.ones(1))
    >>> failing_between(where, [Weibull(scale=100.0, shape=1.0)], first=0.0, last=100.0).round(6)
    array([0.632121])
    """
    return np.array([
        float(
            where.weights
            @ (
                failure_probability(one, age=where.ages, days=last)
                - failure_probability(one, age=where.ages, days=first)
            )
        )
        for one in lifetimes
    ])


def failing_within(where: WindowAge, lifetime: Lifetime, *, days: float) -> float:
    """Chance that an item fails within so many days after a window, if it isn't renewed.

    Parameters
    ----------
    where : WindowAge [days]
        Where it stands at the window.
    lifetime : Lifetime [days]
        How long such items last, its uncertainty included.
    days : float [days]
        From this window to the next.

    Returns
    -------
    float [1]
        Mean over its ages.

    References
    ----------
    As `failing_between`.

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> new = np.zeros(1)
    >>> where = WindowAge(ages=new, weights=np.ones(1), ages_then=new, weights_then=np.ones(1))
    >>> round(failing_within(where, Weibull(scale=100.0, shape=1.0), days=100.0), 6)
    0.632121
    """
    return float(where.weights_then @ failure_probability(lifetime, age=where.ages_then, days=days))


def mean_leaving(run: LongRun, where: WindowAge, *, days: float) -> Leaving:
    """Say what leaving an item to the next window means, its age a distribution.

    Parameters
    ----------
    run : LongRun [money per day]
        Of the item.
    where : WindowAge [days]
        Where it stands at this window.
    days : float [days]
        From this window to the next.

    Returns
    -------
    Leaving [money]
        Means over its ages; arrays of shape (1,).

    References
    ----------
    DESIGN of this service, section 8 (given age or age distribution).

    Examples
    --------
    >>> from forecasting.cost_rates import long_run
    >>> from forecasting.lifetimes import Weibull
    >>> best = long_run(Weibull(scale=1000.0, shape=2.5), planned=1.0, unplanned=5.0)
    >>> old = np.array([493.0])
    >>> known = WindowAge(ages=old, weights=np.ones(1), ages_then=old, weights_then=np.ones(1))
    >>> bool(mean_leaving(best, known, days=1.0).gain[0] > 0.0)
    True
    """
    each = cost_of_leaving(run, ages=where.ages_then, days=days)
    means = {
        name: np.array([float(where.weights_then @ getattr(each, name))])
        for name in ("chance", "days_left", "gain", "cost")
    }
    return replace(each, **means)
