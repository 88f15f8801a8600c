"""Distributions of counts moved to other means: one valve's renewals at other lifetimes, from those at the centre."""

import numpy as np

from forecasting.arrays import FloatArray

__all__ = ["tilted"]

RELIABLE = 1e-10
"""Below this a probability may be what rounding left of it."""
TINY = 1e-16
LONGEST_STEP = 4.0
FURTHEST = 80.0
"""Logs of x looked at."""
STEPS = 60
CLOSE = 1e-10
MOST_EXPECTED = 100.0
"""Renewals of one valve in a window expected at most."""


def _completed(counts: FloatArray, most: float) -> FloatArray:
    """Extend each row as a Poisson distribution goes on, so far that this mean fits in; logs, shape (rows, n)."""
    size = max(counts.shape[1], int(np.ceil(most + 6.0 * np.sqrt(most) + 2.0)))
    whole = np.zeros((len(counts), size))
    whole[:, : counts.shape[1]] = counts
    reliable = whole > RELIABLE
    last = size - 1 - np.argmax(reliable[:, ::-1], axis=1)
    rows = np.arange(len(whole))
    before = np.maximum(last - 1, 0)
    top = np.log(whole[rows, last])
    step = np.where(last > 0, top - np.log(np.maximum(whole[rows, before], TINY)), np.log(RELIABLE))
    logs = np.log(np.maximum(whole, TINY))
    ratio, level = np.minimum(step, 0.0), top
    for n in range(1, size):
        beyond = n > last
        # of a Poisson distribution p(n + 1) / p(n) is n / (n + 1) of the ratio before
        ratio = np.where(beyond, ratio + np.log(max(n - 1, 1) / n), ratio)
        level = np.where(beyond, level + ratio, level)
        logs[:, n] = np.where(beyond, level, logs[:, n])
    return np.asarray(logs)


def _leaning(logs: FloatArray, tilts: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Multiply each row by x^n, log x being its tilt; chances, their mean and variance."""
    n = np.arange(logs.shape[1])
    leaning = logs + tilts[:, None] * n
    chances = np.exp(leaning - leaning.max(axis=1, keepdims=True))
    chances /= chances.sum(axis=1, keepdims=True)
    mean = chances @ n
    return chances, mean, np.maximum(chances @ n**2 - mean**2, TINY)


def tilted(counts: FloatArray, means: FloatArray) -> FloatArray:
    """Move distributions of counts to other means: each probability is multiplied by x^n, with x to each row's need.

    Exact where at most one can happen and for Poisson distributions; support and near-certainty stay.

    Parameters
    ----------
    counts : float array, shape (rows, n) [1]
        P(0), P(1), ...; every row sums to 1.
    means : float array, shape (k, rows) [1]
        Wanted, k for each row.

    Returns
    -------
    float array, shape (k, rows, m) [1]
        Every row sums to 1; m is at least n, and more where a mean asks for it.

    References
    ----------
    Our own: an exponential family through each row.

    Examples
    --------
    >>> tilted(np.array([[0.9, 0.1]]), np.array([[0.05], [0.2]]))[:, 0, :2].round(6)
    array([[0.951229, 0.047561],
           [0.818724, 0.163754]])
    """
    wanted = np.minimum(means, MOST_EXPECTED)
    logs = _completed(counts, float(wanted.max(initial=0.0)))
    now = np.maximum(counts @ np.arange(counts.shape[1]), TINY)
    tilt = np.log(np.maximum(wanted, TINY) / now)
    row, tilts = np.tile(np.arange(len(logs)), len(means)), tilt.ravel()
    mean, variance = np.empty_like(tilts), np.empty_like(tilts)
    found = np.empty((len(tilts), logs.shape[1]))
    low, high, aim = np.full_like(tilts, -FURTHEST), np.full_like(tilts, FURTHEST), wanted.ravel()
    moving = np.arange(len(tilts))
    for _ in range(STEPS):
        found[moving], mean[moving], variance[moving] = _leaning(logs[row[moving]], tilts[moving])
        away = aim - mean
        moving = np.flatnonzero(np.abs(away) > CLOSE * (1.0 + aim))
        if not len(moving):
            break
        low[moving] = np.where(away[moving] > 0.0, tilts[moving], low[moving])
        high[moving] = np.where(away[moving] < 0.0, tilts[moving], high[moving])
        # log of the mean is straighter than the mean where hardly any are expected
        few = np.maximum(mean[moving], TINY)
        straight = np.where(few < 0.5, np.log(np.maximum(aim[moving], TINY) / few) * few, away[moving])
        newton = tilts[moving] + np.clip(straight / variance[moving], -LONGEST_STEP, LONGEST_STEP)
        within = (newton > low[moving]) & (newton < high[moving])
        tilts[moving] = np.where(within, newton, (low[moving] + high[moving]) / 2.0)
    return found.reshape(*means.shape, -1)
