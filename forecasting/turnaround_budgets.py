"""What a turnaround costs beyond its planned scope: what waits for it, and what is found; line by line and in all."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType

import numpy as np
from scipy.special import ndtri

from forecasting.arrays import FloatArray, check
from forecasting.money_sums import Amounts, Sums, sum_of
from forecasting.rebuild_work import ItemWork, Work, work_of

__all__ = [
    "EXTRA_LINES",
    "Exposure",
    "Outcomes",
    "cost_factors",
    "extra_costs",
    "kits_wanted",
    "outcomes_of",
    "quantile",
]

EXTRA_LINES = ("until_freeze", "emergent", "discovery")
"""What fails before the freeze and waits; what fails after it and waits; what is found on opening."""
FACTORS = 15


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """One valve: what is planned, what may fail and wait, what may be found.

    Parameters
    ----------
    tag : str [tag]
        Which.
    needs : tuple of ItemWork [items]
        Of its design.
    opened_for : frozenset of str [codes]
        Items of the planned scope; none: it isn't opened as planned.
    until_freeze, after_freeze : mapping from item to float array, shape (k,) [1]
        Chance, at each point, that it fails by, or after, the freeze and must wait for the turnaround.
    found : mapping from item to float array, shape (k,) [1]
        Chance that it is found worn or failed once the valve is open.
    """

    tag: str
    needs: tuple[ItemWork, ...]
    opened_for: frozenset[str]
    until_freeze: Mapping[str, FloatArray] = field(default_factory=lambda: MappingProxyType({}))
    after_freeze: Mapping[str, FloatArray] = field(default_factory=lambda: MappingProxyType({}))
    found: Mapping[str, FloatArray] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, kw_only=True)
class Outcomes:
    """What may become of one valve.

    Parameters
    ----------
    chances : float array, shape (k, m) [1]
        Of each outcome at each point; rows sum to 1.
    works : tuple of (Work, Work, Work, Work), shape (m,) [money, hours, kits]
        As planned; with what waits since before the freeze; with what waits at all; with what is found.
    """

    chances: FloatArray
    works: tuple[tuple[Work, Work, Work, Work], ...]


def _states(one: Exposure, item: str, points: int) -> list[tuple[str, FloatArray]]:
    """Say what may happen to one item before the turnaround, and how likely."""
    nothing = np.zeros(points)
    before, after = one.until_freeze.get(item, nothing), one.after_freeze.get(item, nothing)
    happens = [("before", before), ("after", after)]
    return [("none", 1.0 - before - after), *(pair for pair in happens if pair[1].any())]


def _finds(one: Exposure, sound: Sequence[str], points: int) -> Iterator[tuple[frozenset[str], FloatArray]]:
    """Go through sets of items found, among those that seemed sound, and how likely they are."""
    may = [item for item in sound if item in one.found]
    for picked in product((False, True), repeat=len(may)):
        chance = np.ones(points)
        for item, found in zip(may, picked, strict=True):
            chance = chance * (one.found[item] if found else 1.0 - one.found[item])
        yield frozenset(item for item, found in zip(may, picked, strict=True) if found), chance


def outcomes_of(one: Exposure, *, points: int) -> Outcomes:
    """List what may become of a valve by the turnaround, and the work of each case.

    Parameters
    ----------
    one : Exposure [valve]
        The valve.
    points : int [1]
        k, the points its chances are given at.

    Returns
    -------
    Outcomes [money, hours, kits]
        Items are independent at each point; what is planned anyway can neither wait nor be found.

    References
    ----------
    DESIGN of this service, section 8 (budget).

    Examples
    --------
    >>> trim = ItemWork(item="trim", kit="T", qty=1, kit_cost=900.0, renews=frozenset({"trim"}))
    >>> waits = Exposure(tag="V", needs=(trim,), opened_for=frozenset(), after_freeze={"trim": np.array([0.25])})
    >>> outcomes_of(waits, points=1).chances
    array([[0.75, 0.25]])
    """
    planned = work_of(one.needs, one.opened_for)
    free = [need.item for need in one.needs if need.item not in planned.items and not need.on_opening]
    chances, works = [], []
    for states in product(*(_states(one, item, points) for item in free)):
        chance = np.prod([np.ones(points), *(each for _, each in states)], axis=0)
        happened = {item: word for item, (word, _) in zip(free, states, strict=True)}
        early = one.opened_for | {item for item, word in happened.items() if word == "before"}
        waiting = early | {item for item, word in happened.items() if word == "after"}
        open_works = (planned, work_of(one.needs, early), work_of(one.needs, waiting))
        sound = [item for item in free if item not in open_works[2].items] if waiting else []
        for found, likely in _finds(one, sound, points):
            chances.append(chance * likely)
            works.append((*open_works, work_of(one.needs, waiting | found)))
    return Outcomes(chances=np.stack(chances, axis=1), works=tuple(works))


def extra_costs(outcomes: Sequence[Outcomes]) -> dict[str, Sums]:
    """Distribution of what comes on top of the planned scope, line by line and of their sum.

    Parameters
    ----------
    outcomes : sequence of Outcomes [valves]
        One per valve; valves are independent at each point, points are mixed at last.

    Returns
    -------
    dict from line to Sums [money]
        Of `EXTRA_LINES`, and `total`: that of all three together, not a sum of theirs.

    References
    ----------
    DESIGN of this service, section 8; AACE recommended practice 41R-08 (contingency by range; from memory).

    Examples
    --------
    >>> trim = ItemWork(item="trim", kit="T", qty=1, kit_cost=900.0, renews=frozenset({"trim"}))
    >>> waits = Exposure(tag="V", needs=(trim,), opened_for=frozenset(), after_freeze={"trim": np.array([0.25])})
    >>> round(extra_costs([outcomes_of(waits, points=1)])["emergent"].mean, 6)
    225.0
    """
    spans = {"until_freeze": (0, 1), "emergent": (1, 2), "discovery": (2, 3), "total": (0, 3)}
    return {
        line: sum_of([
            Amounts(
                values=np.array([max(works[to].cost - works[since].cost, 0.0) for works in one.works]),
                chances=one.chances,
            )
            for one in outcomes
        ])
        for line, (since, to) in spans.items()
    }


def kits_wanted(outcomes: Sequence[Outcomes]) -> dict[str, Sums]:
    """Distribution of how many of each kit the turnaround takes, all lines together.

    Parameters
    ----------
    outcomes : sequence of Outcomes [valves]
        One per valve.

    Returns
    -------
    dict from kit to Sums [kits]
        In the order of their codes.

    References
    ----------
    DESIGN of this service, section 8.

    Examples
    --------
    >>> trim = ItemWork(item="trim", kit="T", qty=1, kit_cost=900.0, renews=frozenset({"trim"}))
    >>> planned = Exposure(tag="V", needs=(trim,), opened_for=frozenset({"trim"}))
    >>> kits_wanted([outcomes_of(planned, points=1)])["T"].chances
    array([0., 1.])
    """
    kits = sorted({kit for one in outcomes for works in one.works for kit, _ in works[3].kits})
    return {
        kit: sum_of(
            [
                Amounts(
                    values=np.array([float(dict(works[3].kits).get(kit, 0)) for works in one.works]),
                    chances=one.chances,
                )
                for one in outcomes
            ],
            step=1.0,
        )
        for kit in kits
    }


def cost_factors(spread: float) -> FloatArray:
    """Equally likely factors on all costs, with mean 1.

    Parameters
    ----------
    spread : float [1]
        Standard deviation of the factor's logarithm; 0: prices and hours are sure.

    Returns
    -------
    float array, shape (n,) [1]
        Lognormal.

    Raises
    ------
    InvalidInput
        If the spread is negative.

    References
    ----------
    Our own convention: prices and hours rise and fall together.

    Examples
    --------
    >>> round(float(cost_factors(0.1).mean()), 12)
    1.0
    """
    check(spread >= 0.0, f"`spread` must not be negative, got {spread}")
    middles = (np.arange(FACTORS) + 0.5) / FACTORS
    factors = np.exp(spread * ndtri(middles))
    return np.asarray(factors / factors.mean())


def quantile(extra: Sums, *, base: float, factors: FloatArray, probability: float) -> float:
    """Amount that base and extra costs together, times the factor, stay below with a given probability.

    Parameters
    ----------
    extra : Sums [money]
        From `extra_costs`.
    base : float [money]
        What is planned for sure.
    factors : float array, shape (n,) [1]
        From `cost_factors`; a single 1 leaves the factor out.
    probability : float [1]
        In (0, 1).

    Returns
    -------
    float [money]
        The quantile.

    Raises
    ------
    InvalidInput
        If the probability isn't in (0, 1).

    References
    ----------
    Our own.

    Examples
    --------
    >>> quantile(Sums(step=1.0, chances=np.array([0.5, 0.5])), base=10.0, factors=np.ones(1), probability=0.4)
    10.0
    """
    check(0.0 < probability < 1.0, f"`probability` must lie in (0, 1), got {probability}")
    if len(factors) == 1:
        return float(factors[0]) * (base + extra.quantile(probability))
    low, high = 0.0, float(factors.max()) * (base + extra.step * len(extra.chances))
    for _ in range(60):
        middle = (low + high) / 2.0
        reached = extra.below(middle / factors - base).mean() >= probability
        low, high = (low, middle) if reached else (middle, high)
    return high
