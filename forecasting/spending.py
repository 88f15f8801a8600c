"""What the kits of sets of valves cost outside turnarounds: kits at each point in, distributions of money out."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from forecasting.arrays import FloatArray, IntArray
from forecasting.consumption import TakeUp, Window
from forecasting.demand import counts_of_valves
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


@dataclass(frozen=True, kw_only=True)
class _Renewals:
    """Renewals that take one kit, by point and valve, in windows in which as many are told apart.

    Parameters
    ----------
    windows : list of (start, end] [days from now]
        Which.
    rows : float array, shape (windows, points * valves, n) [1]
        P(0), P(1), ... in each.
    shares : mapping from kind to float array, shape (windows, points * valves) [1]
        Of each kind in what a row expects; where nothing is expected all of it is unplanned.
    """

    windows: list[Window]
    rows: FloatArray
    shares: Mapping[str, FloatArray]

    def by_kind(self, points: int) -> dict[str, FloatArray]:
        """Tell the kinds apart of which there are any, shape (windows, points, valves, m) each."""
        found = {kind: self._of_kind(share, points) for kind, share in self.shares.items() if (share > NOTHING).any()}
        # where nothing is planned all of it is unplanned
        return found if "planned" in found or not found else found | {"total": found["unplanned"]}

    def _of_kind(self, share: FloatArray, points: int) -> FloatArray:
        """Move counts to this share of their means."""
        rows = self.rows
        if not (share > 1.0 - NOTHING).all():
            flat = rows.reshape(-1, rows.shape[2])
            found = tilted(flat, (flat @ np.arange(rows.shape[2]) * share.ravel())[None])[0]
            rows = found.reshape(*rows.shape[:2], -1)
        return np.asarray(rows.reshape(len(rows), points, -1, rows.shape[2]))


def _renewals(one: TakeUp, windows: Sequence[Window], places: IntArray) -> Iterator[_Renewals]:
    """Pick the renewals of some valves, windows of one width together."""
    alike: dict[int, list[Window]] = defaultdict(list)
    for window in windows:
        alike[one.probabilities[window].shape[1]].append(window)
    for some in alike.values():
        unplanned, planned, turnaround = (
            np.stack([kind[window] for window in some])[:, places]
            for kind in (one.unplanned, one.planned, one.turnaround)
        )
        whole = unplanned + planned + turnaround
        kinds = {"unplanned": unplanned, "planned": planned}
        if (planned > NOTHING * whole).any():
            kinds["total"] = unplanned + planned
        yield _Renewals(
            windows=some,
            rows=np.stack([one.probabilities[window] for window in some])[:, places],
            shares={
                kind: np.divide(part, whole, out=np.full_like(whole, kind != "planned"), where=whole > NOTHING)
                for kind, part in kinds.items()
            },
        )


def _kit_counts(
    several: Sequence[KitPoints], windows: Sequence[Window], *, valves: frozenset[str], points: int
) -> dict[Window, dict[tuple[str, int], FloatArray]]:
    """Count renewals that take one kit, by kind and kits at a time, shape (points, m) each."""
    parts: dict[tuple[str, int], dict[Window, list[FloatArray]]] = defaultdict(lambda: defaultdict(list))
    for one in (made.at for made in several):
        places = np.flatnonzero([valve in valves for valve in one.valves])
        for renewals in _renewals(one, windows, places) if len(places) else ():
            for kind, found in renewals.by_kind(points).items():
                for window, counts in zip(renewals.windows, found, strict=True):
                    parts[kind, one.qty][window].append(counts)
    made: dict[Window, dict[tuple[str, int], FloatArray]] = {window: {} for window in windows}
    for key, by_window in parts.items():
        for window, summed in _all_valves(by_window).items():
            made[window][key] = summed
    return made


def _all_valves(parts: Mapping[Window, Sequence[FloatArray]]) -> dict[Window, FloatArray]:
    """Add valves at each point, parts of shape (points, valves, n): shape (points, m)."""
    alike: dict[tuple[int, int], list[Window]] = defaultdict(list)
    laid: dict[Window, FloatArray] = {}
    for window, several in parts.items():
        width = max(part.shape[2] for part in several)
        laid[window] = np.concatenate([np.pad(one, ((0, 0), (0, 0), (0, width - one.shape[2]))) for one in several], 1)
        alike[laid[window].shape[1:]].append(window)
    return {
        window: summed
        for some in alike.values()
        for window, summed in zip(some, counts_of_valves(np.stack([laid[window] for window in some])), strict=True)
    }


def spend_of_class(
    by_kit: Mapping[str, Sequence[KitPoints]],
    windows: Sequence[Window],
    *,
    valves: frozenset[str],
    prices: Mapping[str, float],
    points: int,
) -> dict[Window, ClassSpend]:
    """Say what kits cost that valves of one service class take outside turnarounds.

    Kits of one valve are taken as independent at each point of what is known of lifetimes, all else as in demand.
    Counts of one kind are those of all kinds moved to its mean, which is exact where at most one renewal is likely.

    Parameters
    ----------
    by_kit : mapping from kit to sequence of KitPoints [kits]
        Of the class, at equally likely points.
    windows : sequence of (start, end] [days from now]
        Some of those counted.
    valves : frozenset of str [tags]
        Whose.
    prices : mapping from kit to float [money per kit]
        Of those that have one.
    points : int [1]
        How many.

    Returns
    -------
    dict from window to ClassSpend [money]
        Empty amounts if these valves take nothing.

    References
    ----------
    DEVELOPERS.md, "Spending outside turnarounds".

    Examples
    --------
    >>> month = (0.0, 30.0)
    >>> spend_of_class({}, [month], valves=frozenset({"V"}), prices={}, points=12)[month].amounts
    {'unplanned': [], 'planned': [], 'total': []}
    """
    amounts: dict[Window, dict[str, list[Amounts]]] = {window: {kind: [] for kind in KINDS} for window in windows}
    unpriced: dict[Window, dict[str, float]] = {window: {} for window in windows}
    for kit, several in by_kit.items():
        for window, found in _kit_counts(several, windows, valves=valves, points=points).items():
            for (kind, qty), counts in found.items():
                taken = qty * np.arange(counts.shape[1], dtype=np.float64)
                if kit in prices:
                    amounts[window][kind].append(Amounts(values=prices[kit] * taken, chances=counts))
                elif kind == "total":
                    unpriced[window][kit] = unpriced[window].get(kit, 0.0) + float((counts @ taken).mean())
    return {window: ClassSpend(amounts=amounts[window], unpriced=unpriced[window]) for window in windows}


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
    planned = any(part.amounts["planned"] for part in parts)
    wanted = KINDS if planned else KINDS[:2]
    sums = {kind: sum_of_classes([part.amounts[kind] for part in parts], cells=GRID) for kind in wanted}
    # nothing is planned: all of it is unplanned
    return Spend(sums={"total": sums["unplanned"], **sums}, unpriced=dict(sorted(unpriced.items())))
