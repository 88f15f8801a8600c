"""From the kits each valve takes to the demand of a population: one distribution per kit and window."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from forecasting.arrays import FloatArray, IntArray
from forecasting.consumption import TakeUp, Window
from forecasting.log_series import ORDER, log_series

__all__ = [
    "Demand",
    "demand_by_row",
    "demand_of_classes",
    "kit_demand",
    "mixed_demand",
    "mixed_running_demand",
    "running_demand",
]

ComplexArray = NDArray[np.complex128]
TAIL = 1e-12
DROWNED = 40.0
MANY, NEGLIGIBLE = 1000, 1e-13
"""From so many valves on series are tried; relative error of a transform that is of no account."""
ALIKE, AT_ONCE = 256, 4_000_000
"""Above so many valves those that are alike are looked for; complex numbers in memory at once."""


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Demand for one kit in one window.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...; sums to 1.
    unplanned, planned, turnaround : float [kits]
        Expected demand by failures, by the maintenance policy, and by it on the first day of a turnaround.
    """

    probabilities: FloatArray
    unplanned: float
    planned: float
    turnaround: float

    @property
    def mean(self) -> float:
        """Expected demand in kits."""
        return float(self.probabilities @ np.arange(len(self.probabilities)))

    def quantile(self, probability: float) -> int:
        """Smallest number of kits that suffices with this probability."""
        reached = np.cumsum(self.probabilities) >= probability - 1e-12
        return int(np.argmax(reached)) if reached.any() else len(self.probabilities) - 1


def kit_demand(taken: Sequence[TakeUp], window: Window, *, valves: frozenset[str]) -> Demand:
    """Exact distribution of the demand for one kit by a set of valves in one window.

    Valves are independent given the parameters: the product of their characteristic functions, turned back by one
    inverse FFT over as many counts as the moments ask for.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        All of one kit.
    window : (start, end] [days from now]
        One of the windows they were counted in.
    valves : frozenset of str [tags]
        The valves served.

    Returns
    -------
    Demand [kits]
        With plug-in parameters: the uncertainty of the lifetimes isn't in it.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, section 12.7 (bearing cage: sum of unlike
    Bernoulli variables; data seen, the book's number from memory).

    Examples
    --------
    >>> week, counts = (0.0, 7.0), np.array([[0.5, 0.5], [0.0, 1.0]])
    >>> sure = TakeUp(
    ...     kit="K",
    ...     qty=2,
    ...     items=("seat",),
    ...     valves=("V1", "V2"),
    ...     probabilities={week: counts},
    ...     running={},
    ...     unplanned={week: np.array([1.0, 2.0])},
    ...     planned={week: np.zeros(2)},
    ...     turnaround={week: np.zeros(2)},
    ...     note="",
    ... )
    >>> kit_demand([sure], week, valves=frozenset({"V1", "V2"})).probabilities.round(6)
    array([0. , 0. , 0.5, 0. , 0.5])
    """
    kinds = np.zeros(3)
    parts = []
    for one in taken:
        rows = _rows(one, valves)
        parts.append((one.qty, one.probabilities[window][rows]))
        kinds += [kind[window][rows].sum() for kind in (one.unplanned, one.planned, one.turnaround)]
    return _mixed([(qty, counts[None]) for qty, counts in parts], kinds, np.ones(1))


def demand_by_row(taken: TakeUp, window: Window, *, valves: IntArray) -> Demand:
    """Exact distribution of the demand for one kit by valves that stand like the rows of a take-up.

    Parameters
    ----------
    taken : TakeUp [kits]
        What one valve of each kind takes.
    window : (start, end] [days from now]
        One of the windows they were counted in.
    valves : int array, shape (rows,) [valves]
        How many there are of each kind.

    Returns
    -------
    Demand [kits]
        As `kit_demand` of all of them.

    References
    ----------
    DEVELOPERS.md, "Speed of a run".

    Examples
    --------
    >>> week, counts = (0.0, 7.0), np.array([[0.5, 0.5]])
    >>> one = TakeUp(
    ...     kit="K", qty=1, items=("seat",), valves=("V",), probabilities={week: counts}, running={}, note="",
    ...     unplanned={week: np.array([0.5])}, planned={week: np.zeros(1)}, turnaround={week: np.zeros(1)},
    ... )
    >>> demand_by_row(one, week, valves=np.array([2])).probabilities
    array([0.25, 0.5 , 0.25])
    """
    kinds = np.array([kind[window] @ valves for kind in (taken.unplanned, taken.planned, taken.turnaround)])
    return _mixed([(taken.qty, taken.probabilities[window][None])], kinds, np.ones(1), times=[valves])


def running_demand(taken: Sequence[TakeUp], window: Window, *, valves: frozenset[str]) -> Demand:
    """Exact distribution of the demand for one kit without what is planned for the first day of a turnaround.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        All of one kit.
    window : (start, end] [days from now]
        One of the windows in which this was asked for.
    valves : frozenset of str [tags]
        The valves served.

    Returns
    -------
    Demand [kits]
        With plug-in parameters: the uncertainty of the lifetimes isn't in it.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> week, none = (0.0, 7.0), np.zeros(1)
    >>> stopped = TakeUp(
    ...     kit="K", qty=1, items=("seat",), valves=("V1",), probabilities={week: np.array([[0.0, 1.0]])},
    ...     running={week: np.array([[1.0]])}, unplanned={week: none}, planned={week: none},
    ...     turnaround={week: none + 1.0}, note="",
    ... )
    >>> running_demand([stopped], week, valves=frozenset({"V1"})).mean
    0.0
    """
    kinds = np.zeros(3)
    parts = []
    for one in taken:
        rows = _rows(one, valves)
        parts.append((one.qty, one.running[window][rows]))
        kinds[:2] += [kind[window][rows].sum() for kind in (one.unplanned, one.planned)]
    return _mixed([(qty, counts[None]) for qty, counts in parts], kinds, np.ones(1))


def mixed_demand(taken: Sequence[TakeUp], window: Window, *, valves: frozenset[str], weights: FloatArray) -> Demand:
    """Distribution of the demand for one kit by valves of one service class whose lifetimes aren't known for sure.

    At each point of what is known of lifetimes valves are independent, so there the product over valves is taken;
    points are mixed after it, since all valves of the class share what isn't known.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        All of one kit and one service class, each with the rows of all its valves at the first point, then at the
        second, and so on.
    window : (start, end] [days from now]
        One of the windows they were counted in.
    valves : frozenset of str [tags]
        The valves served.
    weights : float array, shape (points,) [1]
        How likely each point is; they sum to 1.

    Returns
    -------
    Demand [kits]
        Of this class alone: see `demand_of_classes`.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> week, none = (0.0, 7.0), np.zeros(4)
    >>> sure = TakeUp(
    ...     kit="K", qty=1, items=("seat",), valves=("V1", "V2") * 2, running={}, note="",
    ...     probabilities={week: np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 1.0]])},
    ...     unplanned={week: np.array([0.0, 0.0, 1.0, 1.0])}, planned={week: none}, turnaround={week: none},
    ... )
    >>> every = frozenset({"V1", "V2"})
    >>> mixed_demand([sure], week, valves=every, weights=np.array([0.25, 0.75])).probabilities.round(6)
    array([0.25, 0.  , 0.75])
    """
    kinds = np.zeros(3)
    parts = []
    for one in taken:
        rows = _rows(one, valves)
        parts.append((one.qty, _at_points(one.probabilities[window], rows, len(weights))))
        kinds += [
            float(weights @ kind[window][rows].reshape(len(weights), -1).sum(axis=1))
            for kind in (one.unplanned, one.planned, one.turnaround)
        ]
    return _mixed(parts, kinds, weights)


def mixed_running_demand(
    taken: Sequence[TakeUp], window: Window, *, valves: frozenset[str], weights: FloatArray
) -> Demand:
    """Do as `mixed_demand` without what is planned for the first day of a turnaround.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        See `mixed_demand`.
    window : (start, end] [days from now]
        One of the windows in which this was asked for.
    valves : frozenset of str [tags]
        The valves served.
    weights : float array, shape (points,) [1]
        How likely each point is.

    Returns
    -------
    Demand [kits]
        Of this class alone.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> week, none = (0.0, 7.0), np.zeros(2)
    >>> stopped = TakeUp(
    ...     kit="K", qty=1, items=("seat",), valves=("V1",) * 2, probabilities={},
    ...     running={week: np.array([[1.0, 0.0], [0.5, 0.5]])}, unplanned={week: none}, planned={week: none},
    ...     turnaround={week: none + 1.0}, note="",
    ... )
    >>> mixed_running_demand([stopped], week, valves=frozenset({"V1"}), weights=np.array([0.5, 0.5])).mean
    0.25
    """
    kinds = np.zeros(3)
    parts = []
    for one in taken:
        rows = _rows(one, valves)
        parts.append((one.qty, _at_points(one.running[window], rows, len(weights))))
        kinds[:2] += [
            float(weights @ kind[window][rows].reshape(len(weights), -1).sum(axis=1))
            for kind in (one.unplanned, one.planned)
        ]
    return _mixed(parts, kinds, weights)


def demand_of_classes(parts: Iterable[Demand]) -> Demand:
    """Add the demand of service classes, which have nothing to do with each other.

    Parameters
    ----------
    parts : iterable of Demand [kits]
        At least one.

    Returns
    -------
    Demand [kits]
        Of all of them.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> coin = Demand(probabilities=np.array([0.5, 0.5]), unplanned=0.5, planned=0.0, turnaround=0.0)
    >>> demand_of_classes([coin, coin]).probabilities
    array([0.25, 0.5 , 0.25])
    """
    whole, *others = parts
    for one in others:
        pmf = np.convolve(whole.probabilities, one.probabilities)
        whole = Demand(
            probabilities=pmf / pmf.sum(),
            unplanned=whole.unplanned + one.unplanned,
            planned=whole.planned + one.planned,
            turnaround=whole.turnaround + one.turnaround,
        )
    return whole


@lru_cache(maxsize=64)
def _rows_of(every: tuple[str, ...], valves: frozenset[str]) -> IntArray:
    """Rows of these valves; asked for in one window after the other."""
    return np.flatnonzero([valve in valves for valve in every])


def _rows(one: TakeUp, valves: frozenset[str]) -> IntArray:
    return _rows_of(one.valves, valves)


def _at_points(counts: FloatArray, rows: IntArray, points: int) -> FloatArray:
    """Pick rows and lay them out by point, shape (points, valves, n)."""
    return counts[rows].reshape(points, -1, counts.shape[1])


def _span(parts: Sequence[tuple[int, FloatArray]], times: Sequence[IntArray]) -> tuple[int, int]:
    """Find below which count nothing matters, and how many must be told apart from there on, over all points."""
    needed, variance, most, widest = np.zeros(1), np.zeros(1), 0, 1
    for (qty, counts), valves in zip(parts, times, strict=True):
        n = qty * np.arange(counts.shape[2])
        mean = counts @ n  # (points, valves)
        needed = needed + mean @ valves
        variance = variance + (counts @ n**2 - mean**2) @ valves
        most += qty * (counts.shape[2] - 1) * int(valves.sum())
        widest = max(widest, qty * counts.shape[2])
    away = 14.0 * np.sqrt(np.maximum(variance, 0.0))
    reach = min(most, (needed + away).max() + 2 * widest + 30)
    least = int(max((needed - away).min() - 2 * widest - 30, 0.0))
    return least, 1 << int(np.ceil(np.log2(1 + reach - least)))


def _frequencies(parts: Sequence[tuple[int, FloatArray]], times: Sequence[IntArray], size: int) -> int:
    """Find beyond which frequency the transform of the sum is less than exp(-40), which rounding would drown.

    A count that is n or n + 1 with chances of at least a each has half a coin in it: |phi(w)| <= 1 - 2a (1 - cos(w/2)).
    """
    coins = np.zeros(1)
    for (qty, counts), valves in zip(parts, times, strict=True):
        if qty == 1 and counts.shape[2] > 1:
            coins = coins + np.minimum(counts[:, :, 1:], counts[:, :, :-1]).max(axis=2) @ valves
    least = float(coins.min())
    if least <= DROWNED / 4.0:
        return size // 2 + 1
    return min(size // 2, int(size * np.arccos(1.0 - DROWNED / (2.0 * least)) / np.pi) + 1) + 1


def _once(counts: FloatArray) -> tuple[FloatArray, IntArray]:
    """Find rows that are alike at every point, and how many valves have each."""
    points, valves, n = counts.shape
    if valves <= ALIKE:
        return counts, np.ones(valves, dtype=np.int64)
    rows, times = np.unique(counts.transpose(1, 0, 2).reshape(valves, -1), axis=0, return_counts=True)
    return rows.reshape(-1, points, n).transpose(1, 0, 2), times


def _by_series(counts: FloatArray, times: IntArray, turn: ComplexArray) -> ComplexArray | None:
    """Multiply the transforms of very many valves by adding series; None: few valves, or too far from 1 for that."""
    if int(times.sum()) < MANY:
        return None
    sums, sizes = log_series(counts, times)
    # where series end, what is left is less than their last two terms
    if (sizes[:, -2:] * float(np.abs(turn - 1.0).max()) ** np.array([ORDER - 1, ORDER])).max() > NEGLIGIBLE:
        return None
    return np.asarray(np.exp(sums @ (turn - 1.0) ** np.arange(ORDER + 1)[:, None]))


def _product(counts: FloatArray, times: IntArray, turn: ComplexArray) -> ComplexArray:
    """Multiply the transforms of all valves at each point; alike ones are raised to their number."""
    quickly = _by_series(counts, times, turn)
    if quickly is not None:
        return quickly
    points, turns = len(counts), turn ** np.arange(counts.shape[2])[:, None]
    whole = np.ones((points, turns.shape[1]), dtype=np.complex128)
    step = max(1, AT_ONCE // (points * turns.shape[1]))
    for first in range(0, counts.shape[1], step):
        part = counts[:, first : first + step] @ turns
        several = times[first : first + step]
        whole *= np.prod(part if (several == 1).all() else part ** several[:, None], axis=1)
    return whole


def _mixed(
    parts: Sequence[tuple[int, FloatArray]],
    kinds: FloatArray,
    weights: FloatArray,
    *,
    times: Sequence[IntArray] | None = None,
) -> Demand:
    """Add the kits of independent valves at each point, then mix; parts are kits at a time and chances by point.

    `times` is how many valves each row stands for; None: one.
    """
    if times is None:
        once = [_once(counts) for _, counts in parts]
        parts = [(qty, counts) for (qty, _), (counts, _) in zip(parts, once, strict=True)]
        times = [several for _, several in once]
    least, size = _span(parts, times)
    turns = np.exp(-2j * np.pi * np.arange(_frequencies(parts, times, size)) / size)
    transform = np.ones((len(weights), len(turns)), dtype=np.complex128)
    for (qty, counts), several in zip(parts, times, strict=True):
        transform *= _product(counts, several, turns**qty)
    # beyond the last frequency irfft takes zeros
    moved = weights @ (transform * turns**-least)
    pmf = np.clip(np.fft.irfft(moved, size), 0.0, None) if size > 1 else np.ones(1)
    pmf = np.concatenate([np.zeros(least), pmf / pmf.sum()])
    kept = int(np.searchsorted(np.cumsum(pmf), 1.0 - TAIL)) + 1
    pmf = pmf[:kept] / pmf[:kept].sum()
    mean = float(pmf @ np.arange(len(pmf)))
    unplanned, planned, turnaround = (float(kind) for kind in kinds * (mean / kinds.sum() if kinds.sum() > 0 else 0.0))
    return Demand(probabilities=pmf, unplanned=unplanned, planned=planned, turnaround=turnaround)
