"""How many of which kit a renewal takes: a posterior from the renewals seen, points of it, and counts compounded.

Nothing is drawn at random. What the design states is the prior; what was never seen of a design has no chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaincinv

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.kit_attribution import Bill, RenewalSeen

__all__ = ["KitChances", "chance_points", "kits_from_renewals", "kits_per_renewal", "spread_columns"]

STATED_WORTH = 2.0
"""Renewals that the kit stated for a design is worth."""
ELSE_WORTH = 0.5
"""Renewals that each other outcome is worth that was ever seen of the design."""
OTHERS_WORTH = 10.0
"""Renewals that all those of other classes, other reasons or another state are worth at most, for one's own."""
RAKINGS = 30
"""Times that points are scaled to exact means: each takes off most of what is left of the error."""


@dataclass(frozen=True, kw_only=True)
class KitChances:
    """Dirichlet distribution of what a renewal takes.

    Parameters
    ----------
    outcomes : tuple of Bill, shape (m,) [kits]
        What it may take, as the design states it first.
    weights : float array, shape (m,) [renewals]
        Parameters of the distribution.
    seen : int array, shape (m,) [renewals]
        How often each was seen in just these circumstances.
    """

    outcomes: tuple[Bill, ...]
    weights: FloatArray
    seen: IntArray

    @property
    def mean(self) -> FloatArray:
        """Expected probability of each outcome, shape (m,)."""
        return np.asarray(self.weights / self.weights.sum())

    @property
    def prior_share(self) -> float:
        """Share of the mean that doesn't come from renewals in just these circumstances."""
        return float(1.0 - self.seen.sum() / self.weights.sum())

    @property
    def departs(self) -> bool:
        """Whether anything but what the design states may be taken."""
        return bool((self.weights[1:] > 0.0).any())

    @property
    def kits(self) -> tuple[str, ...]:
        """Every kit that may be taken, in the order of the outcomes."""
        return tuple(dict.fromkeys(kit for bill in self.outcomes for kit, _ in bill))

    def taking(self, kit: str) -> FloatArray:
        """Which outcome takes how many of a kit: ones and zeros, shape (m, most + 1)."""
        qty = [dict(bill).get(kit, 0) for bill in self.outcomes]
        return np.asarray(np.eye(max(qty) + 1)[qty])

    def limits(self, kit: str, *, confidence: float) -> FloatArray:
        """Lower and upper limit of the probability of 0, 1, ... of a kit, shape (most + 1, 2): Beta quantiles."""
        weights = self.weights @ self.taking(kit)
        tails = np.array([(1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0])
        return np.stack([_beta_quantiles(weight, weights.sum() - weight, tails) for weight in weights])


def _beta_quantiles(first: float, second: float, probabilities: FloatArray) -> FloatArray:
    """Quantiles of a Beta distribution, one point where a parameter is 0."""
    if min(first, second) <= 0.0:
        return np.full(len(probabilities), float(first > 0.0))
    return np.asarray(betaincinv(first, second, probabilities))


def _limited(weights: FloatArray, most: float) -> FloatArray:
    """Let renewals be worth no more than so many."""
    return np.asarray(weights * min(1.0, most / weights.sum()))


def kits_per_renewal(seen: Sequence[RenewalSeen], *, stated: Bill, labels: Sequence[str]) -> KitChances:
    """Estimate what a renewal takes in given circumstances.

    What the design states is worth `STATED_WORTH` renewals, each other outcome ever seen `ELSE_WORTH`. Renewals in
    other circumstances come on top, the remotest first, and all that is worth at most `OTHERS_WORTH` at each step; at
    last those in just these circumstances, in full. Each renewal is used once.

    Parameters
    ----------
    seen : sequence of RenewalSeen [renewals]
        Of one item, or items renewed together, of one design.
    stated : Bill [kits]
        What the design states.
    labels : sequence of str, at most 3 [codes]
        Service class; then what the renewal counts as; then the state it was found in.

    Returns
    -------
    KitChances [renewals]
        Beta or Dirichlet; the stated kit alone where nothing else was ever seen.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, sections 2.4 and 3.4 (Beta and Dirichlet posteriors; from memory);
    West & Harrison (1997), Bayesian Forecasting and Dynamic Models, section 6.3 (discounted weights; from memory).

    Examples
    --------
    >>> from forecasting.kit_attribution import Kind
    >>> def repack(qty):
    ...     return RenewalSeen(
    ...         design="D", item="packing", service_class="air", kind=Kind.PLANNED, found=None,
    ...         kits=(("P", qty),),
    ...     )
    >>> chances = kits_per_renewal([repack(1), repack(1), repack(2)], stated=(("P", 1),), labels=["air"])
    >>> chances.weights  # 2 + 2 renewals, 0.5 + 1
    array([4. , 1.5])
    """
    outcomes = (stated, *sorted({one.kits for one in seen} - {stated}))
    place = {bill: number for number, bill in enumerate(outcomes)}
    told = [(one.service_class, one.kind.value, one.found.value if one.found else "") for one in seen]
    taken = np.zeros((len(seen), len(outcomes)), dtype=np.int64)
    taken[np.arange(len(seen)), [place[one.kits] for one in seen]] = [one.times for one in seen]
    weights = np.append(STATED_WORTH, np.full(len(outcomes) - 1, ELSE_WORTH))
    inside = np.ones(len(seen), dtype=np.bool_)
    for depth, label in enumerate(labels):
        alike = inside & np.array([one[depth] == label for one in told], dtype=np.bool_)
        weights = _limited(weights + taken[inside & ~alike].sum(axis=0), OTHERS_WORTH)
        inside = alike
    own = taken[inside].sum(axis=0)
    return KitChances(outcomes=outcomes, weights=weights + own, seen=own)


def spread_columns(points: int, *, columns: int, first: int = 0) -> FloatArray:
    """Columns of one low-discrepancy set, each a ranking of the points: middles of equal parts of (0, 1).

    Multiples of square roots of primes, modulo 1, put in the order of their size.

    Parameters
    ----------
    points : int [1]
        How many.
    columns : int [1]
        How many are wanted.
    first : int [number]
        Number of the first: what is independent takes other columns.

    Returns
    -------
    float array, shape (points, columns) [1]
        Every column holds every middle once.

    References
    ----------
    Niederreiter (1978), Bulletin of the American Mathematical Society 84:957-1041, section 3 (multiples of irrational
    numbers; from memory).

    Examples
    --------
    >>> spread_columns(4, columns=2).tolist()
    [[0.375, 0.625], [0.875, 0.375], [0.125, 0.125], [0.625, 0.875]]
    """
    primes: list[int] = []
    candidate = 2
    while len(primes) < first + columns:
        if all(candidate % prime for prime in primes):
            primes.append(candidate)
        candidate += 1
    spread = np.arange(1, points + 1)[:, None] * np.sqrt(primes[first:])[None, :] % 1.0
    return np.asarray((spread.argsort(axis=0, kind="stable").argsort(axis=0) + 0.5) / points)


def _stick(first: float, second: float, unit: FloatArray) -> FloatArray:
    """Means of a Beta distribution over equal parts of its probability, in the order of `unit`."""
    count = len(unit)
    if min(first, second) <= 0.0:
        return np.full(count, float(first > 0.0))
    edges = betaincinv(first, second, np.arange(count + 1) / count)
    means = count * first / (first + second) * np.diff(betainc(first + 1.0, second, edges))
    return np.asarray(means[unit.argsort(kind="stable").argsort()])


def _raked(points: FloatArray, mean: FloatArray) -> FloatArray:
    """Scale columns to their means and rows to 1, in turn, until both hold."""
    for _ in range(RAKINGS):
        found = points.mean(axis=0)
        points = points * np.divide(mean, found, out=np.ones_like(found), where=found > 0.0)
        points = points / points.sum(axis=1, keepdims=True)
    return points


def chance_points(chances: KitChances, *, unit: FloatArray) -> FloatArray:
    """Equally likely values of the probabilities of what a renewal takes.

    Stick by stick: each outcome's share of what is left is Beta distributed, and independent. Points of one stick are
    means over equal parts of its probability; scaled at last so that the means of all outcomes are exact.

    Parameters
    ----------
    chances : KitChances [renewals]
        With m outcomes.
    unit : float array, shape (k, m - 1) [1]
        From `spread_columns`; only the order in each column is used.

    Returns
    -------
    float array, shape (k, m) [1]
        Each row sums to 1.

    Raises
    ------
    InvalidInput
        If there isn't a column for each outcome but one.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 23.2 (stick-breaking); Deming & Stephan (1940), Annals of
    Mathematical Statistics 11:427-444 (scaling rows and columns in turn); both from memory.

    Examples
    --------
    >>> even = KitChances(outcomes=((), (("P", 1),)), weights=np.array([1.0, 1.0]), seen=np.zeros(2, dtype=np.int64))
    >>> chance_points(even, unit=spread_columns(2, columns=1)).round(6)
    array([[0.25, 0.75],
           [0.75, 0.25]])
    """
    sticks = len(chances.outcomes) - 1
    check(unit.ndim == 2 and unit.shape[1] == sticks, f"`unit` must have shape (k, {sticks}), got {unit.shape}")
    weights = chances.weights
    points = np.zeros((len(unit), sticks + 1))
    left = np.ones(len(unit))
    for number in range(sticks):
        points[:, number] = left * _stick(weights[number], weights[number + 1 :].sum(), unit[:, number])
        left = left - points[:, number]
    points[:, -1] = left
    return _raked(points, chances.mean)


def kits_from_renewals(counts: FloatArray, outcome: FloatArray) -> FloatArray:
    """Compound counts of renewals to counts of kits: n renewals take the n-fold sum of what one takes.

    Parameters
    ----------
    counts : float array, shape (..., n) [1]
        P(0), P(1), ... renewals of each valve.
    outcome : float array, shape (..., q) [1]
        P(0), P(1), ... kits at each renewal, valve by valve or point by point.

    Returns
    -------
    float array, shape (..., m) [1]
        P(0), P(1), ... kits, leading axes broadcast; expected kits are the product of expectations.

    References
    ----------
    Feller (1968), An Introduction to Probability Theory and Its Applications, volume 1, section XII.1 (sum of a random
    number of variables; from memory).

    Examples
    --------
    >>> kits_from_renewals(np.array([[0.5, 0.0, 0.5]]), np.array([0.5, 0.5]))
    array([[0.625, 0.25 , 0.125]])
    """
    renewals, kits = counts.shape[-1] - 1, outcome.shape[-1] - 1
    most = renewals * kits
    summed = np.zeros((*np.broadcast_shapes(counts.shape[:-1], outcome.shape[:-1]), most + 1))
    for number in range(renewals, -1, -1):
        # Horner's rule: what more than `number` renewals take is taken once more
        before, summed = summed, np.zeros_like(summed)
        for qty in range(kits + 1):
            summed[..., qty:] += outcome[..., qty, None] * before[..., : most + 1 - qty]
        summed[..., 0] += counts[..., number]
    return summed
