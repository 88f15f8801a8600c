"""From the kits each valve takes to the demand of a population: one distribution per kit and window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import TakeUp, Window

__all__ = ["Demand", "kit_demand", "running_demand"]

TAIL = 1e-12


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


def _moments(counts: FloatArray, qty: int) -> tuple[float, float]:
    """Mean and variance of the kits that independent valves take together."""
    n = qty * np.arange(counts.shape[1])
    mean = counts @ n
    return float(mean.sum()), float((counts @ n**2 - mean**2).sum())


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
        rows = np.flatnonzero([valve in valves for valve in one.valves])
        parts.append((one.qty, one.probabilities[window][rows]))
        kinds += [kind[window][rows].sum() for kind in (one.unplanned, one.planned, one.turnaround)]
    return _summed(parts, kinds)


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
        rows = np.flatnonzero([valve in valves for valve in one.valves])
        parts.append((one.qty, one.running[window][rows]))
        kinds[:2] += [kind[window][rows].sum() for kind in (one.unplanned, one.planned)]
    return _summed(parts, kinds)


def _summed(parts: Sequence[tuple[int, FloatArray]], kinds: FloatArray) -> Demand:
    """Add the kits of independent valves: each part is kits at a time and P(0), P(1), ... by valve."""
    moments = np.array([_moments(counts, qty) for qty, counts in parts]).reshape(len(parts), 2)
    mean, variance = moments.sum(axis=0)
    most = sum(qty * (counts.shape[1] - 1) * len(counts) for qty, counts in parts)
    widest = max((qty * counts.shape[1] for qty, counts in parts), default=1)
    size = 1 << int(np.ceil(np.log2(1 + min(most, mean + 14.0 * np.sqrt(variance) + 2 * widest + 30))))
    turns = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    transform = np.ones(len(turns), dtype=np.complex128)
    for qty, counts in parts:
        transform *= np.prod(counts @ turns ** (qty * np.arange(counts.shape[1]))[:, None], axis=0)
    pmf = np.clip(np.fft.irfft(transform, size), 0.0, None) if size > 1 else np.ones(1)
    pmf /= pmf.sum()
    kept = int(np.searchsorted(np.cumsum(pmf), 1.0 - TAIL)) + 1
    scaled = kinds * (mean / kinds.sum() if kinds.sum() > 0 else 0.0)
    unplanned, planned, turnaround = (float(kind) for kind in scaled)
    return Demand(
        probabilities=pmf[:kept] / pmf[:kept].sum(), unplanned=unplanned, planned=planned, turnaround=turnaround
    )
