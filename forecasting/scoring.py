"""How good forecasts of counts were: distributions and what came in, scores out. Nothing is drawn at random."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from forecasting.arrays import FloatArray, check, check_same_length, int_column

__all__ = ["crps", "interval_cover", "log_scores", "pinball", "pit_heights", "probability_table", "quantiles"]


def probability_table(distributions: Sequence[ArrayLike]) -> FloatArray:
    """Put distributions of different length into one table.

    Parameters
    ----------
    distributions : sequence of array_like, each shape (n,) [1]
        P(D = 0), P(D = 1), ... of one forecast each.

    Returns
    -------
    float array, shape (forecasts, longest) [1]
        A row each, filled up with zeros.

    Raises
    ------
    InvalidInput
        If there is none, or one doesn't sum to 1 within 1e-6.

    References
    ----------
    None: a table.

    Examples
    --------
    >>> probability_table([[1.0], [0.5, 0.5]])
    array([[1. , 0. ],
           [0.5, 0.5]])
    """
    check(len(distributions) > 0, "`distributions` needs at least one")
    rows = [np.asarray(one, dtype=np.float64) for one in distributions]
    table = np.zeros((len(rows), max(len(row) for row in rows)))
    for row, values in zip(table, rows, strict=True):
        row[: len(values)] = values
    off = np.abs(table.sum(axis=1) - 1.0)
    check(bool((off <= 1e-6).all()), f"distributions must sum to 1, number {int(off.argmax())} is off by {off.max():g}")
    return table


def _reach(table: FloatArray, counts: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """P(D <= count - 1) and P(D <= count), each shape (forecasts,)."""
    seen = int_column("counts", counts)
    check_same_length(table=table, counts=seen)
    check(bool((seen >= 0).all()), f"`counts` must not be negative, got {seen.tolist()}")
    below = np.concatenate((np.zeros((len(table), 1)), np.cumsum(table, axis=1)), axis=1)
    rows, last = np.arange(len(table)), table.shape[1]
    return below[rows, np.minimum(seen, last)], below[rows, np.minimum(seen + 1, last)]


def crps(table: FloatArray, counts: ArrayLike) -> FloatArray:
    """Continuous ranked probability score: sum over k of (P(D <= k) - [count <= k])^2; smaller is better.

    Parameters
    ----------
    table : float array, shape (forecasts, n) [1]
        Distributions (`probability_table`).
    counts : array_like, shape (forecasts,) [kits]
        What came.

    Returns
    -------
    float array, shape (forecasts,) [kits]
        0 for a sure forecast that came true; the distance for a sure one that didn't.

    Raises
    ------
    InvalidInput
        If a count is negative, or there are not as many as forecasts.

    References
    ----------
    Czado, Gneiting & Held (2009), Biometrics 65:1254-1261 (from memory); scoringrules 0.10.0 gives the same values.

    Examples
    --------
    >>> crps(probability_table([[0.0, 1.0]]), [3])
    array([2.])
    """  # noqa: DOC502 (raised by _reach)
    _reach(table, counts)
    seen = np.asarray(counts)[:, None]
    reached = np.cumsum(table, axis=1)
    within = ((reached - (np.arange(table.shape[1]) >= seen)) ** 2).sum(axis=1)
    return np.asarray(within + np.maximum(seen[:, 0] - table.shape[1], 0))


def log_scores(table: FloatArray, counts: ArrayLike) -> FloatArray:
    """Minus the logarithm of the probability given to what came.

    Parameters
    ----------
    table : float array, shape (forecasts, n) [1]
        Distributions.
    counts : array_like, shape (forecasts,) [kits]
        What came.

    Returns
    -------
    float array, shape (forecasts,) [1]
        Infinite where it was held impossible.

    Raises
    ------
    InvalidInput
        As `crps`.

    References
    ----------
    Czado, Gneiting & Held (2009), Biometrics 65:1254-1261 (from memory).

    Examples
    --------
    >>> log_scores(probability_table([[0.5, 0.5]]), [1]).round(4)
    array([0.6931])
    """  # noqa: DOC502 (raised by _reach)
    _reach(table, counts)
    seen = np.asarray(counts)
    known = seen < table.shape[1]
    given = np.where(known, table[np.arange(len(table)), np.where(known, seen, 0)], 0.0)
    return np.asarray(-np.log(given, out=np.full(len(given), -np.inf), where=given > 0))


def quantiles(table: FloatArray, level: float) -> FloatArray:
    """Smallest number of kits that suffices with this probability.

    Parameters
    ----------
    table : float array, shape (forecasts, n) [1]
        Distributions.
    level : float in (0, 1) [1]
        The probability.

    Returns
    -------
    float array, shape (forecasts,) [kits]
        Whole numbers.

    Raises
    ------
    InvalidInput
        If `level` isn't within (0, 1).

    References
    ----------
    None: the definition.

    Examples
    --------
    >>> quantiles(probability_table([[0.5, 0.4, 0.1]]), 0.9)
    array([1.])
    """
    check(0.0 < level < 1.0, f"`level` must be within (0, 1), got {level}")
    reached = np.cumsum(table, axis=1) >= level - 1e-12
    return np.asarray(np.where(reached.any(axis=1), reached.argmax(axis=1), table.shape[1] - 1), dtype=np.float64)


def pinball(stated: ArrayLike, counts: ArrayLike, *, level: float) -> FloatArray:
    """Cost of a stated quantile: level for each kit short, 1 - level for each too many; smaller is better.

    Parameters
    ----------
    stated : array_like, shape (forecasts,) [kits]
        The quantiles, or stock levels.
    counts : array_like, shape (forecasts,) [kits]
        What came.
    level : float in (0, 1) [1]
        The probability aimed at.

    Returns
    -------
    float array, shape (forecasts,) [kits]
        (level - [count < stated]) (count - stated).

    Raises
    ------
    InvalidInput
        If `level` isn't within (0, 1).

    References
    ----------
    Gneiting & Raftery (2007), Journal of the American Statistical Association 102:359-378 (from memory).

    Examples
    --------
    >>> pinball([5.0, 5.0], [8, 3], level=0.9).round(3)
    array([2.7, 0.2])
    """
    check(0.0 < level < 1.0, f"`level` must be within (0, 1), got {level}")
    short = np.asarray(counts, dtype=np.float64) - np.asarray(stated, dtype=np.float64)
    return np.asarray(np.where(short < 0, (level - 1.0) * short, level * short))


def pit_heights(table: FloatArray, counts: ArrayLike, *, bins: int = 10) -> FloatArray:
    """Histogram of where in its distribution each count came: flat at 1 if forecasts were honest.

    A count's place is spread evenly over its step of the distribution, which is the mean over all randomised places.

    Parameters
    ----------
    table : float array, shape (forecasts, n) [1]
        Distributions.
    counts : array_like, shape (forecasts,) [kits]
        What came.
    bins : int [bins]
        Of equal width.

    Returns
    -------
    float array, shape (bins,) [1]
        Mean 1. Both ends high: too narrow; the middle high: too wide; the right high: too low.

    Raises
    ------
    InvalidInput
        As `crps`.

    References
    ----------
    Czado, Gneiting & Held (2009), Biometrics 65:1254-1261, equation 2 (formula seen in the source of a package).

    Examples
    --------
    >>> pit_heights(probability_table([[0.5, 0.5], [0.5, 0.5]]), [0, 1], bins=2)
    array([1., 1.])
    """  # noqa: DOC502 (raised by _reach)
    low, high = _reach(table, counts)
    edges = np.linspace(0.0, 1.0, bins + 1)[:, None]
    # a count held impossible has no step: it stands at the top
    step = np.where(high > low, high - low, 1.0)
    share = np.where(high > low, np.clip((edges - low) / step, 0.0, 1.0), edges >= 1.0)
    return np.asarray(bins * np.diff(share.mean(axis=1)))


def interval_cover(table: FloatArray, counts: ArrayLike, *, level: float) -> FloatArray:
    """How much of each count's step lies in the central interval; its mean is the interval's randomised coverage.

    Whole quantiles always cover more than they claim, so their plain coverage can't show whether intervals are honest.

    Parameters
    ----------
    table : float array, shape (forecasts, n) [1]
        Distributions.
    counts : array_like, shape (forecasts,) [kits]
        What came.
    level : float in (0, 1) [1]
        What the interval claims, e.g. 0.9.

    Returns
    -------
    float array, shape (forecasts,) [1]
        Within [0, 1].

    Raises
    ------
    InvalidInput
        As `crps`, or if `level` isn't within (0, 1).

    References
    ----------
    Czado, Gneiting & Held (2009), Biometrics 65:1254-1261 (from memory).

    Examples
    --------
    >>> interval_cover(probability_table([[0.5, 0.5], [0.9, 0.1]]), [0, 1], level=0.9)
    array([0.9, 0.5])
    """
    check(0.0 < level < 1.0, f"`level` must be within (0, 1), got {level}")
    low, high = _reach(table, counts)
    ends = (1.0 - level) / 2.0, (1.0 + level) / 2.0
    inside = np.clip(high, *ends) - np.clip(low, *ends)
    return np.asarray(np.where(high > low, inside / np.where(high > low, high - low, 1.0), 0.0))
