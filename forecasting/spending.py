"""What the kits of sets of valves cost outside turnarounds: kits at each point in, distributions of money out."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.consumption import TakeUp, Window
from forecasting.kit_points import KitPoints
from forecasting.money_sums import Amounts, Sums, sum_of_classes
from forecasting.tilting import tilted

__all__ = ["KINDS", "ClassSpend", "Spend", "SpendAsked", "spend_of_class", "spend_of_classes"]

KINDS = ("unplanned", "planned", "total")
"""Total: unplanned and planned; what is planned for a turnaround is in none of them."""
GRID = 2000
"""Steps of money that reach beyond every likely sum."""
NOTHING = 1e-9
"""Kits expected that count as none."""
NOISE = 1e-13
SPREADS = 12.0


@dataclass(frozen=True, kw_only=True)
class SpendAsked:
    """What is asked about spending.

    Parameters
    ----------
    prices : mapping from kit to float [money per kit]
        Of those that have one.
    windows : tuple of (start, end] [days from now]
        In which spending is wanted, as far as demand is.
    areas : mapping from area to tags [tags]
        Whose.
    """

    prices: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    windows: tuple[Window, ...] = ()
    areas: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, kw_only=True)
class ClassSpend:
    """What the valves of one service class spend in a window.

    Parameters
    ----------
    amounts : mapping from kind to list of Amounts [money]
        One for each kit that has a price.
    unpriced : mapping from kit to float [kits]
        Expected, of those that have none.
    """

    amounts: Mapping[str, list[Amounts]]
    unpriced: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Spend:
    """What a set of valves spends in a window.

    Parameters
    ----------
    sums : mapping from kind to Sums [money]
        Distribution of each of `KINDS`.
    unpriced : mapping from kit to float [kits]
        Expected number of each kit without a price, which is in none of the sums.
    """

    sums: Mapping[str, Sums]
    unpriced: Mapping[str, float]


def _of_kind(rows: FloatArray, share: FloatArray) -> FloatArray:
    """Move the counts of rows, shape (rows, n), to this share of their means."""
    if (share > 1.0 - NOTHING).all():
        return rows
    return np.asarray(tilted(rows, (rows @ np.arange(rows.shape[1]) * share)[None])[0])


def _all_valves(parts: Sequence[FloatArray]) -> FloatArray:
    """Add valves at each point, parts of shape (points, valves, n): shape (points, m)."""
    widest = max(part.shape[2] for part in parts)
    counts = np.concatenate([np.pad(part, ((0, 0), (0, 0), (0, widest - part.shape[2]))) for part in parts], axis=1)
    n = np.arange(widest)
    means = counts @ n
    spread = np.sqrt(np.maximum((counts @ n**2 - means**2).sum(axis=1), 0.0))
    reach = (means.sum(axis=1) + SPREADS * spread).max() + 2 * widest + 8
    size = 2 * int(np.ceil(min(reach, (widest - 1) * counts.shape[1] + 1) / 2.0))
    turns = np.exp(-2j * np.pi * np.outer(n, np.arange(size // 2 + 1)) / size)
    whole = np.clip(np.fft.irfft(np.prod(counts @ turns, axis=1), n=size, axis=1), 0.0, None)
    likely = whole[:, : np.flatnonzero((whole > NOISE).any(axis=0))[-1] + 1]
    return np.asarray(likely / likely.sum(axis=1, keepdims=True))


def _shares(one: TakeUp, window: Window, places: IntArray) -> dict[str, FloatArray]:
    """Share of each kind in what each row expects, shape (rows,); where nothing is expected all of it is unplanned."""
    unplanned, planned = one.unplanned[window][places], one.planned[window][places]
    whole = unplanned + planned + one.turnaround[window][places]
    kinds = {"unplanned": unplanned, "planned": planned, "total": unplanned + planned}
    return {
        kind: np.divide(part, whole, out=np.full_like(whole, kind != "planned"), where=whole > NOTHING)
        for kind, part in kinds.items()
    }


def _kit_counts(
    several: Sequence[KitPoints], window: Window, *, valves: frozenset[str], points: int
) -> dict[tuple[str, int], FloatArray]:
    """Count renewals that take one kit, by kind and kits at a time, shape (points, m) each."""
    parts: dict[tuple[str, int], list[FloatArray]] = defaultdict(list)
    for one in (made.at for made in several):
        places = np.flatnonzero([valve in valves for valve in one.valves])
        rows, shares = one.probabilities[window][places], _shares(one, window, places)
        for kind, share in shares.items() if len(places) else ():
            if (share > NOTHING).any():
                parts[kind, one.qty].append(_of_kind(rows, share).reshape(points, -1, rows.shape[1]))
    return {key: _all_valves(found) for key, found in parts.items()}


def spend_of_class(
    by_kit: Mapping[str, Sequence[KitPoints]],
    window: Window,
    *,
    valves: frozenset[str],
    prices: Mapping[str, float],
    points: int,
) -> ClassSpend:
    """Say what kits cost that valves of one service class take outside turnarounds in one window.

    Kits of one valve are taken as independent at each point of what is known of lifetimes, all else as in demand.
    Counts of one kind are those of all kinds moved to its mean, which is exact where at most one renewal is likely.

    Parameters
    ----------
    by_kit : mapping from kit to sequence of KitPoints [kits]
        Of the class, at equally likely points.
    window : (start, end] [days from now]
        One of those counted.
    valves : frozenset of str [tags]
        Whose.
    prices : mapping from kit to float [money per kit]
        Of those that have one.
    points : int [1]
        How many.

    Returns
    -------
    ClassSpend [money]
        Empty if these valves take nothing.

    References
    ----------
    DEVELOPERS.md, "Spending outside turnarounds".

    Examples
    --------
    >>> spend_of_class({}, (0.0, 30.0), valves=frozenset({"V"}), prices={}, points=12).amounts
    {'unplanned': [], 'planned': [], 'total': []}
    """
    amounts: dict[str, list[Amounts]] = {kind: [] for kind in KINDS}
    unpriced: dict[str, float] = {}
    for kit, several in by_kit.items():
        for (kind, qty), counts in _kit_counts(several, window, valves=valves, points=points).items():
            taken = qty * np.arange(counts.shape[1], dtype=np.float64)
            if kit in prices:
                amounts[kind].append(Amounts(values=prices[kit] * taken, chances=counts))
            elif kind == "total":
                unpriced[kit] = unpriced.get(kit, 0.0) + float((counts @ taken).mean())
    return ClassSpend(amounts=amounts, unpriced=unpriced)


def spend_of_classes(parts: Sequence[ClassSpend]) -> Spend:
    """Add the spending of service classes, which have nothing to do with each other.

    Parameters
    ----------
    parts : sequence of ClassSpend [money]
        One per class.

    Returns
    -------
    Spend [money]
        Each kind a distribution of its own: quantiles don't add.

    References
    ----------
    DEVELOPERS.md, "Spending outside turnarounds".

    Examples
    --------
    >>> spend_of_classes([]).sums["total"].mean
    0.0
    """
    unpriced: dict[str, float] = defaultdict(float)
    for part in parts:
        for kit, expected in part.unpriced.items():
            unpriced[kit] += expected
    return Spend(
        sums={kind: sum_of_classes([part.amounts[kind] for part in parts], cells=GRID) for kind in KINDS},
        unpriced=dict(sorted(unpriced.items())),
    )
