"""The age of an item whose last renewal nobody wrote down: a distribution, never a made-up number."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.renewals import Calendar, Process, renewal_operators

__all__ = ["AgeMix", "unknown_age"]

LONG = 12.0
"""After so many median lives in place the installation date no longer matters."""


@dataclass(frozen=True, kw_only=True)
class AgeMix:
    """Possible ages with their weights.

    Parameters
    ----------
    ages : float array, shape (n,) [days]
        Ages now.
    weights : float array, shape (n,) [1]
        Sum to 1.
    """

    ages: FloatArray
    weights: FloatArray


def _at_begin(process: Process, in_place: float | None, parts: int) -> AgeMix:
    """Age at the begin of the records of an item fresh when installed `in_place` days before (None: long ago)."""
    typical = min([process.interval, *(lifetime.quantile(0.5) for lifetime in process.lifetimes)])
    if in_place is not None and in_place < LONG * typical:
        calendar = Calendar.of([(0.0, in_place)], cell=in_place / parts)
        new = renewal_operators(process, calendar, np.zeros((1, len(process.lifetimes))))
        renewed = (new.start @ new.resolvent)[0] * (1.0 - new.first.sum(axis=1))
        never = 1.0 - new.start[0].sum()
        return AgeMix(ages=np.append(in_place - calendar.middle, in_place), weights=np.append(renewed, never))
    oldest = min([process.interval, *(lifetime.quantile(0.9999) for lifetime in process.lifetimes)])
    ages = (np.arange(parts) + 0.5) * oldest / parts
    alive = np.exp(-sum(lifetime.cumulative_hazard(ages) for lifetime in process.lifetimes))
    return AgeMix(ages=ages, weights=alive / alive.sum())


def unknown_age(process: Process, *, in_place: float | None, survived: float, parts: int) -> AgeMix:
    """Distribution of the age of an item with an unknown start.

    At the begin of the records: backward recurrence time of the renewal process begun at installation under its policy,
    its equilibrium where that is long ago or not known. Since then: given that it survived.

    Parameters
    ----------
    process : Process [days]
        How long such items last, and when they are renewed as planned.
    in_place : float or None [days]
        Since installation; None: not known.
    survived : float [days]
        Watched since the records begin, without a renewal.
    parts : int [1]
        Number of ages used.

    Returns
    -------
    AgeMix [days]
        Ages now. Where the policy would long have renewed it but nobody did, the policy is left out of account.

    Raises
    ------
    InvalidInput
        If it was watched longer than it was in place.

    References
    ----------
    Cox (1962), Renewal Theory, sections 5.1 and 5.2 (backward recurrence time, from memory).

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> steady = Process(lifetimes=(Weibull(scale=500.0, shape=1.0),))
    >>> mix = unknown_age(steady, in_place=None, survived=0.0, parts=400)
    >>> round(float(mix.ages @ mix.weights))
    500
    """
    check(
        in_place is None or in_place >= survived >= 0,
        f"`survived` must be within `in_place`, got {survived}, {in_place}",
    )
    for policy in (process, Process(lifetimes=process.lifetimes)):
        mix = _at_begin(policy, None if in_place is None else max(in_place - survived, 1.0), parts)
        grown = mix.ages + survived
        lasted = sum(
            lifetime.cumulative_hazard(mix.ages) - lifetime.cumulative_hazard(grown) for lifetime in process.lifetimes
        )
        weights = np.where(grown < policy.interval, np.clip(mix.weights, 0.0, None), 0.0) * np.exp(lasted)
        if weights.sum() > 0.0:
            break
    # so old that nothing survives in doubles: the youngest possible age
    weights = weights if weights.sum() > 0.0 else (grown == grown.min()).astype(np.float64)
    used = weights > 1e-9 * weights.sum()
    return AgeMix(ages=grown[used], weights=weights[used] / weights[used].sum())
