"""How long demand must be covered: lead time with its spread, and the wait for the next review."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh_tridiagonal
from scipy.special import gammaincc, roots_genlaguerre, roots_hermitenorm, roots_legendre

from forecasting.arrays import FloatArray, check

__all__ = ["CoverTimes", "cover_times", "cover_times_when_reached", "longest_cover_times"]

REGULAR = 100.0
"""Above this (mean / spread)^2 a gamma lead time is as good as normal, and its nodes overflow."""
NODES = 10
"""Times that stand for a distribution: service levels from 0.9 on to half a point for kits of 180 a year at a spread of
half the mean, to 2 points at a spread as large as the mean; for slower kits far closer."""
FINE_LEADS, FINE_WAITS = 48, 5
NEGLIGIBLE = 1e-6
"""Weight below which a node isn't worth the demand of years ahead."""
WAIT_STEPS = 400
LONGEST = 3650.0
"""Nothing is ordered so far ahead; nodes beyond count as this."""


@dataclass(frozen=True, kw_only=True)
class CoverTimes:
    """Times that demand must be covered for, from reaching the reorder point to the arrival of what it triggers.

    Parameters
    ----------
    days : float array, shape (n,) [days]
        Quadrature nodes of lead time + time to the next review.
    weights : float array, shape (n,) [1]
        Sum to 1.
    """

    days: FloatArray
    weights: FloatArray


def _lead_times(mean: float, spread: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of a gamma lead time."""
    if mean == 0.0 or spread <= 1e-6 * mean:
        return np.array([mean]), np.ones(1)
    shape = (mean / spread) ** 2
    if shape > REGULAR:
        nodes, weights = roots_hermitenorm(NODES)
        return mean + spread * nodes, weights / weights.sum()
    nodes, weights = roots_genlaguerre(FINE_LEADS, shape - 1.0)
    return nodes * mean / shape, weights / weights.sum()


def _waits(review_period: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the time to the next review, uniform over the review period."""
    if review_period == 0.0:
        return np.zeros(1), np.ones(1)
    nodes, weights = roots_legendre(FINE_WAITS)
    return (nodes + 1.0) * review_period / 2.0, weights / 2.0


def _gauss_rule(days: FloatArray, weights: FloatArray) -> CoverTimes:
    """Replace many points by at most `NODES` with the same moments up to the (2 * NODES - 1)th.

    Lanczos: the eigenvalues of the tridiagonal matrix are the nodes, the squared first components the weights.
    """
    basis, diagonal, beside = [np.sqrt(weights)], [], []
    while True:
        step = days * basis[-1]
        diagonal.append(float(basis[-1] @ step))
        known = np.stack(basis)
        for _ in range(2):  # once isn't enough in doubles
            step = step - (known @ step) @ known
        length = float(np.linalg.norm(step))
        if len(basis) == NODES or length <= 1e-9 * days.max():
            break
        beside.append(length)
        basis.append(step / length)
    nodes, vectors = eigh_tridiagonal(diagonal, beside)
    used = vectors[0] ** 2 > NEGLIGIBLE
    kept = vectors[0, used] ** 2
    return CoverTimes(days=np.clip(nodes[used], 1e-3, LONGEST), weights=kept / kept.sum())


def _check(lead_time: float, lead_time_spread: float, review_period: float) -> None:
    """Refuse times that can't be."""
    times = np.array([lead_time, lead_time_spread, review_period])
    possible = bool(np.isfinite(times).all()) and times.min() >= 0 and 0 < lead_time + review_period <= LONGEST
    check(possible, f"times must be finite, not negative and together within (0, {LONGEST:g}], got {times.tolist()}")


def cover_times(*, lead_time: float, lead_time_spread: float, review_period: float) -> CoverTimes:
    """Distribution of lead time plus time to the next review, as quadrature nodes.

    Lead time gamma with this mean and standard deviation, time to the next review uniform over the review period.

    Parameters
    ----------
    lead_time, lead_time_spread : float [days]
        Mean and standard deviation.
    review_period : float [days]
        Between reviews; 0: stock is looked at all the time.

    Returns
    -------
    CoverTimes [days]
        At most 10 nodes, all positive.

    Raises
    ------
    InvalidInput
        If a time is negative or not finite, or lead time and review period are both 0 or beyond ten years.

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, chapter 6 (lead time plus review
    interval; from memory); Golub & Welsch (1969), Mathematics of Computation 23:221-230 (Gauss rule
    of any distribution; from memory).

    Examples
    --------
    >>> times = cover_times(lead_time=60.0, lead_time_spread=15.0, review_period=14.0)
    >>> round(float(times.days @ times.weights), 3)
    67.0
    """  # noqa: DOC502 (raised by _check)
    _check(lead_time, lead_time_spread, review_period)
    leads, lead_weights = _lead_times(lead_time, lead_time_spread)
    waits, wait_weights = _waits(review_period)
    return _gauss_rule(np.add.outer(leads, waits).ravel(), np.outer(lead_weights, wait_weights).ravel())


def longest_cover_times(*, lead_time: float, lead_time_spread: float, review_period: float) -> CoverTimes:
    """Distribution of lead time plus a whole review period: what must be covered if the reorder point was just missed.

    Parameters
    ----------
    lead_time, lead_time_spread : float [days]
        Mean and standard deviation.
    review_period : float [days]
        Between reviews.

    Returns
    -------
    CoverTimes [days]
        At most 10 nodes, all positive.

    Raises
    ------
    InvalidInput
        As `cover_times`.

    References
    ----------
    As `cover_times`.

    Examples
    --------
    >>> longest_cover_times(lead_time=60.0, lead_time_spread=0.0, review_period=14.0).days
    array([74.])
    """  # noqa: DOC502 (raised by _check)
    _check(lead_time, lead_time_spread, review_period)
    leads, weights = _lead_times(lead_time, lead_time_spread)
    return _gauss_rule(leads + review_period, weights)


def _chance_by_total(totals: FloatArray, waits: FloatArray, lead_time: float, spread: float) -> FloatArray:
    """How likely each wait is, given lead time + wait; shape (totals, waits), rows sum to 1."""
    leads = totals[:, None] - waits
    if spread <= 1e-6 * lead_time:
        nearest = np.abs(leads - lead_time).argmin(axis=1)
        return np.asarray(np.eye(len(waits))[nearest])
    shape = (lead_time / spread) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(leads > 0.0, (shape - 1.0) * np.log(leads) - leads * shape / lead_time, -np.inf)
    highest = logs.max(axis=1, keepdims=True)
    # beyond the longest wait only the shortest lead times are left
    likely = np.where(np.isfinite(highest), np.exp(logs - np.where(np.isfinite(highest), highest, 0.0)), 1.0)
    return np.asarray(likely / likely.sum(axis=1, keepdims=True))


def cover_times_when_reached(
    cover: CoverTimes,
    *,
    lead_time: float,
    lead_time_spread: float,
    review_period: float,
    rate: float,
    order_quantity: int,
) -> CoverTimes:
    """Weigh cover times by when the reorder point is reached between two reviews.

    After a review the position is any of r + 1 .. r + Q alike, so r is reached s later with a density in proportion to
    P(D(s) <= Q - 1): small orders reach it early and wait long. D is Poisson here, and only here.

    Parameters
    ----------
    cover : CoverTimes [days]
        As `cover_times` gives them, for a uniform wait.
    lead_time, lead_time_spread, review_period : float [days]
        As there.
    rate : float [kits per day]
        Of demand.
    order_quantity : int [kits]
        Q.

    Returns
    -------
    CoverTimes [days]
        The same times with other weights.

    Raises
    ------
    InvalidInput
        As `cover_times`, or if the rate is negative or the quantity not positive.

    References
    ----------
    Zipkin (2000), Foundations of Inventory Management, section 6.2 (the position is uniform; from memory).

    Examples
    --------
    >>> times = cover_times(lead_time=60.0, lead_time_spread=0.0, review_period=30.0)
    >>> seldom = cover_times_when_reached(
    ...     times, lead_time=60.0, lead_time_spread=0.0, review_period=30.0, rate=0.1, order_quantity=1
    ... )
    >>> round(float(times.days @ times.weights), 1), round(float(seldom.days @ seldom.weights), 1)
    (75.0, 81.6)
    """  # noqa: DOC502 (raised by _check)
    _check(lead_time, lead_time_spread, review_period)
    check(rate >= 0 < order_quantity, f"`rate` must not be negative, `order_quantity` positive, got {rate}")
    if review_period == 0.0:
        return cover
    waits = (np.arange(WAIT_STEPS) + 0.5) * review_period / WAIT_STEPS
    reached = gammaincc(order_quantity, rate * (review_period - waits))  # P(Poisson <= Q - 1)
    chances = _chance_by_total(cover.days, waits, lead_time, lead_time_spread)
    weights = cover.weights * (chances @ reached)
    return CoverTimes(days=cover.days, weights=weights / weights.sum())
