"""What is known of lifetimes, as a few points: equally likely lifetimes of all items of a service class at once."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr
from scipy.special import ndtr, ndtri

from forecasting.arrays import FloatArray
from forecasting.families import Family
from forecasting.kits_per_renewal import spread_columns
from forecasting.lifetimes import Fitted, lifetime_from_logs
from forecasting.lives import Lives
from forecasting.pooling import InUse
from forecasting.posteriors import posterior_nodes, posterior_points

__all__ = ["POINTS", "LifetimePoints", "even_points", "lifetime_points", "points_beside"]

POINTS = 12
"""Points over which demand is mixed; the results name it."""
CANDIDATES = 8
"""Columns among which one is chosen."""


@dataclass(frozen=True, kw_only=True)
class LifetimePoints:
    """Lifetimes of every class and item at each point; classes have nothing to do with each other.

    Parameters
    ----------
    weights : float array, shape (points,) [1]
        How likely each point is; they sum to 1.
    lifetimes : mapping from (service class, item) to tuple of lifetimes, one per point [days]
        Of items of one class the same place is the same point.
    """

    weights: FloatArray
    lifetimes: Mapping[tuple[str, str], tuple[Fitted, ...]]

    def coordinates(self, service_class: str) -> int:
        """Count the coordinates that lifetimes of a class have."""
        return 2 * sum(name == service_class for name, _ in self.lifetimes)

    def of_items(self, service_class: str, items: Iterable[str]) -> list[dict[str, Fitted]]:
        """Lifetimes of these items of one class by item, one mapping per point."""
        known = {item: self.lifetimes[service_class, item] for item in items}
        return [{item: points[number] for item, points in known.items()} for number in range(len(self.weights))]


def even_points(points: int, *, columns: int) -> FloatArray:
    """Lay points evenly into a unit cube so that their normal scores have mean 0, variance 1 and no correlation.

    Parameters
    ----------
    points, columns : int [1]
        How many points, of how many coordinates; only evenly ranked if there are no more points than coordinates.

    Returns
    -------
    float array, shape (points, columns) [1]
        Within (0, 1).

    References
    ----------
    Niederreiter (1978), Bulletin of the American Mathematical Society 84:957-1041, section 3 (from memory).

    Examples
    --------
    >>> scores = ndtri(even_points(12, columns=4))
    >>> bool(np.allclose(scores.T @ scores / 12, np.eye(4)) and np.allclose(scores.mean(axis=0), 0.0))
    True
    """
    if columns >= points:
        return spread_columns(points, columns=columns)
    candidates = ndtri(spread_columns(points, columns=CANDIDATES * columns))
    # the next column is always the one most unlike those before it, less what it shares with them
    apart, _, _ = qr(candidates, mode="economic", pivoting=True)
    return np.asarray(ndtr(np.sqrt(points) * apart[:, :columns]))


def points_beside(points: int, *, taken: int, columns: int) -> FloatArray:
    """Lay out further coordinates of points whose first ones are `even_points`.

    Parameters
    ----------
    points, taken, columns : int [1]
        How many points, how many coordinates are taken, how many are wanted; where no more can be uncorrelated they
        come again.

    Returns
    -------
    float array, shape (points, columns) [1]
        Within (0, 1); normal scores without correlation to those taken.

    References
    ----------
    As `even_points`.

    Examples
    --------
    >>> scores = ndtri(np.hstack([even_points(12, columns=4), points_beside(12, taken=4, columns=2)]))
    >>> bool(np.allclose(scores.T @ scores / 12, np.eye(6)))
    True
    """
    free = points - 1 - taken
    if free < 1:
        return spread_columns(points, columns=columns, first=taken)
    candidates = ndtri(spread_columns(points, columns=CANDIDATES * free, first=taken))
    fixed, _ = np.linalg.qr(np.hstack([np.ones((points, 1)), ndtri(even_points(points, columns=taken))]))
    apart, _, _ = qr(candidates - fixed @ (fixed.T @ candidates), mode="economic", pivoting=True)
    return np.asarray(ndtr(np.sqrt(points) * apart[:, np.arange(columns) % free]))


def lifetime_points(in_use: Sequence[InUse], *, lives: Lives) -> LifetimePoints:
    """Lay out what is known of the lifetimes of each service class as equally likely points.

    Items have coordinates of their own: what is known of one says nothing of another.

    Parameters
    ----------
    in_use : sequence of InUse [days]
        From `lifetimes_in_use`; those of which nothing is known are left out.
    lives : Lives [days]
        What they were fitted to.

    Returns
    -------
    LifetimePoints [days]
        `POINTS` of them.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.pooling import lifetimes_in_use
    >>> seen = lives_of_one_sample(lower=[700.0, 900.0], upper=[700.0, np.inf])
    >>> len(lifetime_points(lifetimes_in_use(seen, wanted=[("", "")]), lives=seen).lifetimes["", ""])
    12
    """
    weights = np.full(POINTS, 1.0 / POINTS)
    known = [one for one in in_use if one.lifetime is not None]
    if not known:
        return LifetimePoints(weights=weights, lifetimes={})
    samples = {(one.service_class, one.item) for one in known}
    looked_at = lives.of_samples([place for place, sample in enumerate(lives.samples) if sample in samples])
    of_class: dict[str, list[int]] = defaultdict(list)
    for row, one in enumerate(known):
        of_class[one.service_class].append(row)
    unit = np.zeros((len(known), POINTS, 2))
    for rows in of_class.values():
        # the first columns are the most even: scales matter more than shapes
        unit[rows] = even_points(POINTS, columns=2 * len(rows)).reshape(POINTS, 2, len(rows)).transpose(2, 0, 1)
    laid = posterior_points(posterior_nodes(known, lives=looked_at), unit=unit)
    return LifetimePoints(
        weights=weights,
        lifetimes={
            (one.service_class, one.item): tuple(
                lifetime_from_logs(
                    Family.WEIBULL if one.choice is None else one.choice.family,
                    log_scale=log_scale,
                    log_shape=log_shape,
                )
                for log_scale, log_shape in zip(laid.log_scale[row], laid.log_shape[row], strict=True)
            )
            for row, one in enumerate(known)
        },
    )
