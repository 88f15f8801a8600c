"""From the kits each valve takes to the demand of a population: one distribution per kit and window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import TakeUp, Window

__all__ = ["Demand", "kit_demand"]

TAIL = 1e-12


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Demand for one kit in one window.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...; sums to 1.
    unplanned, planned : float [kits]
        Expected demand by failures, and by the maintenance policy.
    """

    probabilities: FloatArray
    unplanned: float
    planned: float

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
    ...     unplanned={week: np.array([1.0, 2.0])},
    ...     planned={week: np.zeros(2)},
    ...     note="",
    ... )
    >>> kit_demand([sure], week, valves=frozenset({"V1", "V2"})).probabilities.round(6)
    array([0. , 0. , 0.5, 0. , 0.5])
    """
    parts = []
    unplanned = planned = mean = variance = 0.0
    for one in taken:
        rows = np.flatnonzero([valve in valves for valve in one.valves])
        counts = one.probabilities[window][rows]
        parts.append((one.qty, counts))
        unplanned += float(one.unplanned[window][rows].sum())
        planned += float(one.planned[window][rows].sum())
        added = _moments(counts, one.qty)
        mean, variance = mean + added[0], variance + added[1]
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
    scale = mean / (unplanned + planned) if unplanned + planned > 0 else 0.0
    return Demand(probabilities=pmf[:kept] / pmf[:kept].sum(), unplanned=unplanned * scale, planned=planned * scale)
