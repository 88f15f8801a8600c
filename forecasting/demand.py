"""From the kits each valve takes to the demand of a population: one distribution per kit and window."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
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
    "counts_of_valves",
    "kit_demand",
    "mixed_demands",
    "running_demand",
]

ComplexArray = NDArray[np.complex128]
TAIL = 1e-12
DUST = 1e-13
DROWNED = 40.0
MANY, NEGLIGIBLE = 1000, 1e-13
"""From so many valves on series are tried; relative error of a transform that is of no account."""
AT_ONCE = 4_000_000
"""Numbers in memory at once."""


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
    return mixed_demands(taken, [window], valves=valves, weights=np.ones(1))[window]


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
    kinds = np.array([[kind[window] @ valves for kind in _by_kind(taken)]])
    part = _Part(qty=taken.qty, counts=taken.probabilities[window][None, None], times=valves)
    return _mixed([part], kinds, np.ones(1))[0]


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
    return mixed_demands(taken, [window], valves=valves, weights=np.ones(1), running=True)[window]


def mixed_demands(
    taken: Sequence[TakeUp],
    windows: Sequence[Window],
    *,
    valves: frozenset[str],
    weights: FloatArray,
    running: bool = False,
) -> dict[Window, Demand]:
    """Distribution of the demand for one kit by valves of one service class whose lifetimes aren't known for sure.

    At each point of what is known of lifetimes valves are independent, so there the product over valves is taken;
    points are mixed after it, since all valves of the class share what isn't known.

    Parameters
    ----------
    taken : sequence of TakeUp [kits]
        All of one kit and one service class, each with the rows of all its valves at the first point, then at the
        second, and so on.
    windows : sequence of (start, end] [days from now]
        Some of those they were counted in.
    valves : frozenset of str [tags]
        The valves served.
    weights : float array, shape (points,) [1]
        How likely each point is; they sum to 1.
    running : bool [1]
        Without what is planned for the first day of a turnaround.

    Returns
    -------
    dict from window to Demand [kits]
        Of this class alone: see `demand_of_classes`.

    References
    ----------
    DEVELOPERS.md, "Demand under uncertain lifetimes".

    Examples
    --------
    >>> week, none = (0.0, 7.0), np.zeros(4)
    >>> sure = TakeUp(
    ...     kit="K", qty=1, items=("seat",), valves=("V1", "V2") * 2, running={week: np.ones((4, 1))}, note="",
    ...     probabilities={week: np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 1.0]])},
    ...     unplanned={week: none}, planned={week: none}, turnaround={week: np.array([0.0, 0.0, 1.0, 1.0])},
    ... )
    >>> every, weights = frozenset({"V1", "V2"}), np.array([0.25, 0.75])
    >>> mixed_demands([sure], [week], valves=every, weights=weights)[week].probabilities.round(6)
    array([0.25, 0.  , 0.75])
    >>> mixed_demands([sure], [week], valves=every, weights=weights, running=True)[week].mean
    0.0
    """
    taken = [one for one in taken if len(_rows(one, valves))]
    if not taken:
        nothing = Demand(probabilities=np.ones(1), unplanned=0.0, planned=0.0, turnaround=0.0)
        return dict.fromkeys(windows, nothing)
    rows = [_rows(one, valves) for one in taken]
    kinds = np.zeros((len(windows), 3))
    for one, row in zip(taken, rows, strict=True):
        kinds += _kinds(one, windows, row, weights)
    kinds *= np.array([1.0, 1.0, 0.0 if running else 1.0])
    counts = [one.running if running else one.probabilities for one in taken]
    alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for number, window in enumerate(windows):
        alike[tuple(count[window].shape[1] for count in counts)].append(number)
    found: dict[Window, Demand] = {}
    for widths, numbers in alike.items():
        several = max(1, AT_ONCE // (len(weights) * sum(map(int.__mul__, widths, map(len, rows))) + 1))
        for first in range(0, len(numbers), several):
            some = numbers[first : first + several]
            parts = [
                _Part(
                    qty=one.qty,
                    counts=_at_points([count[windows[number]][row] for number in some], len(weights)),
                    times=np.ones(len(row) // len(weights), dtype=np.int64),
                )
                for one, count, row in zip(taken, counts, rows, strict=True)
            ]
            mixed = _mixed(parts, kinds[some], weights)
            found.update(zip((windows[number] for number in some), mixed, strict=True))
    return {window: found[window] for window in windows}


def counts_of_valves(counts: FloatArray) -> list[FloatArray]:
    """Add the counts of independent valves at each point, in several windows.

    Parameters
    ----------
    counts : float array, shape (windows, points, valves, n) [1]
        P(0), P(1), ... of each valve.

    Returns
    -------
    list of float array, shape (points, m) each [1]
        Of all valves together, for each window; rows sum to 1.

    References
    ----------
    As `kit_demand`.

    Examples
    --------
    >>> counts_of_valves(np.full((1, 1, 2, 2), 0.5))[0].round(6)
    array([[0.25, 0.5 , 0.25]])
    """
    part = _Part(qty=1, counts=counts, times=np.ones(counts.shape[2], dtype=np.int64))
    found: dict[int, FloatArray] = {}
    for some, least, size, transform in _transforms([part]):
        moved = transform * (_turns(size, transform.shape[2]) ** -least[:, None])[:, None]
        chances = np.clip(np.fft.irfft(moved, size), 0.0, None) if size > 1 else np.ones((len(some), len(counts[0]), 1))
        for window, below, chance in zip(some.tolist(), least.tolist(), chances, strict=True):
            likely = chance[:, : int(np.flatnonzero((chance > DUST).any(axis=0))[-1]) + 1]
            whole = np.concatenate([np.zeros((len(likely), below)), likely], axis=1)
            found[window] = whole / whole.sum(axis=1, keepdims=True)
    return [found[window] for window in range(len(counts))]


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


def _kinds(one: TakeUp, windows: Sequence[Window], rows: IntArray, weights: FloatArray) -> FloatArray:
    """Expect kits of each kind in each window, over points and valves, shape (windows, 3)."""
    kinds = [np.stack([kind[window] for window in windows])[:, rows] for kind in _by_kind(one)]
    return np.stack([kind.reshape(len(windows), len(weights), -1).sum(axis=2) @ weights for kind in kinds], axis=1)


def _by_kind(one: TakeUp) -> tuple[dict[Window, FloatArray], ...]:
    return one.unplanned, one.planned, one.turnaround


def _at_points(counts: Sequence[FloatArray], points: int) -> FloatArray:
    """Lay out the counts of several windows by point, shape (windows, points, valves, n)."""
    return np.stack(counts).reshape(len(counts), points, -1, counts[0].shape[1])


@dataclass(frozen=True, kw_only=True)
class _Part:
    """Counts of some valves in several windows.

    Parameters
    ----------
    qty : int [kits]
        Taken at a time.
    counts : float array, shape (windows, points, rows, n) [1]
        P(0), P(1), ... times.
    times : int array, shape (rows,) [valves]
        How many valves each row stands for.
    """

    qty: int
    counts: FloatArray
    times: IntArray


def _span(parts: Sequence[_Part]) -> tuple[IntArray, IntArray]:
    """Find below which count nothing matters in each window, and how many must be told apart from there on."""
    needed, variance, most, widest = np.zeros((1, 1)), np.zeros((1, 1)), 0, 1
    for part in parts:
        n = part.qty * np.arange(part.counts.shape[3])
        mean = part.counts @ n  # (windows, points, rows)
        needed = needed + mean @ part.times
        variance = variance + (part.counts @ n**2 - mean**2) @ part.times
        most += part.qty * (part.counts.shape[3] - 1) * int(part.times.sum())
        widest = max(widest, part.qty * part.counts.shape[3])
    away = 14.0 * np.sqrt(np.maximum(variance, 0.0))
    reach = np.minimum(most, (needed + away).max(axis=1) + 2 * widest + 30)
    least = np.maximum((needed - away).min(axis=1) - 2 * widest - 30, 0.0).astype(np.int64)
    return least, (1 << np.ceil(np.log2(1 + reach - least)).astype(np.int64)).astype(np.int64)


def _frequencies(parts: Sequence[_Part], size: int) -> int:
    """Find beyond which frequency the transform of the sum is less than exp(-40), which rounding would drown.

    A count that is n or n + 1 with chances of at least a each has half a coin in it: |phi(w)| <= 1 - 2a (1 - cos(w/2)).
    """
    coins = np.zeros((1, 1))
    for part in parts:
        if part.qty == 1 and part.counts.shape[3] > 1:
            coins = coins + np.minimum(part.counts[..., 1:], part.counts[..., :-1]).max(axis=3) @ part.times
    least = float(coins.min())
    if least <= DROWNED / 4.0:
        return size // 2 + 1
    return min(size // 2, int(size * np.arccos(1.0 - DROWNED / (2.0 * least)) / np.pi) + 1) + 1


def _by_series(counts: FloatArray, times: IntArray, turn: ComplexArray) -> ComplexArray | None:
    """Multiply the transforms of very many valves by adding series; None: few valves, or too far from 1 for that."""
    if int(times.sum()) < MANY:
        return None
    sums, sizes = log_series(counts, times)
    # where series end, what is left is less than their last two terms
    if (sizes[:, -2:] * float(np.abs(turn - 1.0).max()) ** np.array([ORDER - 1, ORDER])).max() > NEGLIGIBLE:
        return None
    return np.asarray(np.exp(sums @ (turn - 1.0) ** np.arange(ORDER + 1)[:, None]))


def _product(part: _Part, turns: ComplexArray) -> ComplexArray:
    """Multiply the transforms of all valves in each window at each point; alike ones are raised to their number."""
    windows, points, rows, n = part.counts.shape
    counts, turn = part.counts.reshape(windows * points, rows, n), turns**part.qty
    whole = _by_series(counts, part.times, turn)
    if whole is None:
        powers = turn ** np.arange(n)[:, None]
        whole = np.ones((len(counts), len(turns)), dtype=np.complex128)
        step = max(1, AT_ONCE // (len(counts) * len(turns)))
        for first in range(0, rows, step):
            each = counts[:, first : first + step] @ powers
            several = part.times[first : first + step]
            whole *= np.prod(each if (several == 1).all() else each ** several[:, None], axis=1)
    return whole.reshape(windows, points, -1)


def _turns(size: int, frequencies: int) -> ComplexArray:
    return np.asarray(np.exp(-2j * np.pi * np.arange(frequencies) / size))


def _transforms(parts: Sequence[_Part]) -> Iterator[tuple[IntArray, IntArray, int, ComplexArray]]:
    """Transform what all valves take, windows of one size together: which, below which count nothing is, size, values.

    Values have shape (windows, points, frequencies); beyond the last frequency they are of no account.
    """
    least, sizes = _span(parts)
    for size in np.unique(sizes).tolist():
        some = np.flatnonzero(sizes == size)
        alike = [replace(part, counts=part.counts[some]) for part in parts] if len(some) < len(sizes) else parts
        turns = _turns(size, _frequencies(alike, size))
        transform = np.ones((len(some), parts[0].counts.shape[1], len(turns)), dtype=np.complex128)
        for part in alike:
            transform *= _product(part, turns)
        yield some, least[some], size, transform


def _mixed(parts: Sequence[_Part], kinds: FloatArray, weights: FloatArray) -> list[Demand]:
    """Add the kits of independent valves at each point, then mix, in several windows; `kinds` has a row for each."""
    found: dict[int, Demand] = {}
    for some, least, size, transform in _transforms(parts):
        # beyond the last frequency irfft takes zeros
        moved = np.einsum("p,wpf->wf", weights, transform) * _turns(size, transform.shape[2]) ** -least[:, None]
        chances = np.clip(np.fft.irfft(moved, size), 0.0, None) if size > 1 else np.ones((len(some), 1))
        for window, below, chance in zip(some.tolist(), least.tolist(), chances, strict=True):
            found[window] = _demand(chance, below, kinds[window])
    return [found[window] for window in range(len(kinds))]


def _demand(chances: FloatArray, least: int, kinds: FloatArray) -> Demand:
    """Cut off what is of no account; kinds are given the mean of the distribution."""
    pmf = np.concatenate([np.zeros(least), chances / chances.sum()])
    kept = int(np.searchsorted(np.cumsum(pmf), 1.0 - TAIL)) + 1
    pmf = pmf[:kept] / pmf[:kept].sum()
    mean = float(pmf @ np.arange(len(pmf)))
    expected = float(kinds.sum())
    unplanned, planned, turnaround = (kinds * (mean / expected if expected > 0.0 else 0.0)).tolist()
    return Demand(probabilities=pmf, unplanned=unplanned, planned=planned, turnaround=turnaround)
