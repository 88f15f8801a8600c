"""The age of an item whose last renewal nobody wrote down: a distribution, never a made-up number."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.calendars import Calendar
from forecasting.lifetimes import hazard_ahead
from forecasting.processes import Process
from forecasting.renewals import renewal_operators

__all__ = ["AgeMix", "unknown_age"]

LONG = 12.0
"""After so many long lives in place the installation date no longer matters."""
CELLS = (20, 600)
"""Cells to a typical life, and at most, for the renewals since installation."""
POINTS = 2000
"""Ages at which the density is taken before it is shared out."""
OLDEST = 14.0
"""Cumulative hazard by which the last one has failed (1 in 1e6 has not)."""
LEAST = 1e-7
"""Weights below this are left out."""


@dataclass(frozen=True, kw_only=True)
class AgeMix:
    """Possible ages with their weights.

    Parameters
    ----------
    ages : float array, shape (n,) [days]
        Ages now.
    weights : float array, shape (n,) [1]
        Sum to 1.
    log_chance : float [1]
        Log of the chance that there was no renewal since the records begin.
    """

    ages: FloatArray
    weights: FloatArray
    log_chance: float


@dataclass(frozen=True, kw_only=True)
class _Renewals:
    """Expected renewals of an item fresh at installation: at once on some days, else a density over time."""

    days: FloatArray
    chance: FloatArray
    time: FloatArray
    density: FloatArray


def _typical(process: Process, probability: float) -> float:
    """Age by which this share of the shortest-lived item has ended."""
    return min([process.interval, *(lifetime.quantile(probability) for lifetime in process.lifetimes)])


@lru_cache(maxsize=64)
def _renewals(process: Process) -> _Renewals:
    """Expect the renewals from installation on."""
    span = LONG * _typical(process, 0.9)
    cell = max(_typical(process, 0.5) / CELLS[0], span / CELLS[1])
    intervals = [process.interval] if np.isfinite(process.interval) else []
    calendar = Calendar.of([(0.0, span)], intervals=intervals, cell=cell)
    new = renewal_operators(process, calendar, np.zeros((1, len(process.lifetimes))))
    renewed, length = (new.start @ new.resolvent)[0], calendar.right - calendar.left
    at_once = length == 0.0
    renewed[0] = 1.0  # the installation
    return _Renewals(
        days=calendar.left[at_once],
        chance=renewed[at_once],
        time=calendar.middle[~at_once],
        density=renewed[~at_once] / length[~at_once],
    )


def _hazard_since(process: Process, survived: float, age: FloatArray) -> FloatArray:
    """Hazard of all items together from the age survived to another."""
    return np.asarray(sum(hazard_ahead(one, age=survived, days=age - survived) for one in process.lifetimes))


def _oldest(process: Process, survived: float) -> float:
    """Age that nothing which survived so long reaches."""
    further = _typical(process, 0.5)
    while float(_hazard_since(process, survived, np.array(survived + further))) < OLDEST:
        further *= 2.0
    return min(process.interval, survived + further)


def _shared_out(ages: FloatArray, weights: FloatArray, *, nodes: FloatArray) -> FloatArray:
    """Share weights out over the two nodes beside each age so that their mean is kept, shape (nodes,)."""
    above = np.clip(np.searchsorted(nodes, ages), 1, len(nodes) - 1)
    part = np.clip((ages - nodes[above - 1]) / (nodes[above] - nodes[above - 1]), 0.0, 1.0)
    shared = np.zeros(len(nodes))
    np.add.at(shared, above - 1, weights * (1.0 - part))
    np.add.at(shared, above, weights * part)
    return shared


def _quantiles(ages: FloatArray, weights: FloatArray, parts: int) -> FloatArray:
    """Ages between which equal shares of the weight lie, shape (parts,)."""
    summed = np.append(0.0, np.cumsum(weights)) / weights.sum()
    return np.asarray(np.interp(np.linspace(0.0, 1.0, parts), summed, np.append(ages[0], ages)))


def _lasting(process: Process, survived: float) -> tuple[FloatArray, FloatArray]:
    """Ages from `survived` on, and the chance of getting there from `survived` times the days each stands for."""
    oldest, typical = _oldest(process, survived), _typical(process, 0.5)
    steps = np.log1p((oldest - survived) / typical) * (np.arange(POINTS) + 0.5) / POINTS
    ages = survived + typical * np.expm1(steps)
    return ages, np.gradient(ages) * np.exp(-_hazard_since(process, survived, ages))


@lru_cache(maxsize=4096)
def _mix(process: Process, *, in_place: float, survived: float, parts: int) -> AgeMix:
    """Ages of an item that was last renewed, or installed, so long ago and has survived since.

    P(age) is proportional to the chance of a renewal then, times that of surviving since. No age is left where in
    doubles nothing survives so long.
    """
    ages, usual = _lasting(process, survived)
    if not usual.any():
        return AgeMix(ages=np.zeros(0), weights=np.zeros(0), log_chance=-np.inf)
    # nothing but the oldest age depends on the date of installation, so that valves share ages
    nodes = np.unique(np.minimum(_quantiles(ages, usual, parts), max(in_place, ages[1])))
    possible = np.where(ages < in_place, usual, 0.0)
    if in_place > LONG * _typical(process, 0.9):
        weights = _shared_out(ages, possible / _lasting(process, 0.0)[1].sum(), nodes=nodes)
    else:
        renewals = _renewals(process)
        density = np.interp(in_place - ages, renewals.time, renewals.density)
        lumps = in_place - renewals.days
        known = (lumps >= survived) & (lumps < process.interval)
        lasted = np.exp(-_hazard_since(process, survived, lumps[known]))
        weights = np.append(_shared_out(ages, possible * density, nodes=nodes), renewals.chance[known] * lasted)
        nodes = np.append(nodes, lumps[known])
    total = max(float(weights.sum()), 1e-300)
    used = weights > LEAST * total
    return AgeMix(
        ages=nodes[used],
        weights=weights[used] / weights[used].sum(),
        log_chance=float(np.log(total) - _hazard_since(process, 0.0, np.array(survived))),
    )


def unknown_age(process: Process, *, in_place: float | None, survived: float, parts: int) -> AgeMix:
    """Distribution of the age of an item with an unknown start.

    The backward recurrence time of the renewal process begun at installation under its policy, its equilibrium where
    that is long ago or not known, given that nothing was renewed since the records begin.

    Parameters
    ----------
    process : Process [days]
        How long such items last, and when they are renewed as planned.
    in_place : float or None [days]
        Since installation; None: not known.
    survived : float [days]
        Watched since the records begin, without a renewal.
    parts : int [1]
        Number of ages used, besides that at installation and those of an unbroken row of planned renewals.

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
    >>> mix = unknown_age(steady, in_place=None, survived=0.0, parts=40)
    >>> round(float(mix.ages @ mix.weights))
    500
    """
    longest = np.inf if in_place is None else in_place
    check(longest >= survived >= 0, f"`survived` must be within `in_place`, got {survived}, {in_place}")
    for policy in (process, Process(lifetimes=process.lifetimes)):
        mix = _mix(policy, in_place=longest, survived=survived, parts=parts) if survived < policy.interval else None
        if mix is not None and len(mix.ages):
            return mix
    # in doubles nothing survives so long: the youngest possible age
    return AgeMix(ages=np.array([survived]), weights=np.ones(1), log_chance=-1e300)
