"""Budget-limited stock: which kit to stock one more of, by shortage avoided per money, over all kits and storerooms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.service_levels import expected_backorders

__all__ = ["Frontier", "StockedKit", "expected_backorders", "frontier"]

NEGLIGIBLE = 1e-9
"""Shortage in kits below which more stock isn't worth a line."""


@dataclass(frozen=True, kw_only=True)
class StockedKit:
    """A kit in a storeroom, as the choice of stock sees it.

    Parameters
    ----------
    demand : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ... over the time that stock must cover; sums to 1.
    unit_cost : float, above 0 [money]
        Of one kit.
    weight : float, not negative [money a kit short, or any measure]
        How much a kit short matters.
    pack : int [kits]
        Bought so many at a time.
    floor : int [kits]
        Held whatever it costs (insurance spares).
    """

    demand: FloatArray
    unit_cost: float
    weight: float = 1.0
    pack: int = 1
    floor: int = 0

    def __post_init__(self) -> None:
        check(self.unit_cost > 0, f"`unit_cost` must be above 0, got {self.unit_cost}")
        check(self.weight >= 0, f"`weight` must not be negative, got {self.weight}")
        check(
            self.pack >= 1 and self.floor >= 0, f"`pack` must be at least 1, `floor` 0, got {self.pack}, {self.floor}"
        )
        off = abs(float(self.demand.sum()) - 1.0)
        check(off <= 1e-6, f"`demand` must sum to 1, is off by {off:g}")


@dataclass(frozen=True, kw_only=True)
class Frontier:
    """Cost against shortage, from the floors upwards: each step adds one pack of one kit.

    Parameters
    ----------
    cost : float array, shape (steps + 1,) [money]
        Of all stock after so many steps.
    shortage : float array, shape (steps + 1,) [weighted kits]
        Expected kits short, each by its weight.
    kit : int array, shape (steps,) [number]
        Which of the kits each step adds to.
    floors, packs : int array, shape (kits,) [kits]
        Where it begins, and what a step adds.
    """

    cost: FloatArray
    shortage: FloatArray
    kit: IntArray
    floors: IntArray
    packs: IntArray

    def levels(self, step: int) -> IntArray:
        """Stock of every kit after so many steps, shape (kits,)."""
        return np.asarray(self.floors + self.packs * np.bincount(self.kit[:step], minlength=len(self.floors)))

    def step_within(self, budget: float) -> int:
        """Most steps that this budget pays; 0 if it doesn't even pay the floors."""
        return max(int(np.searchsorted(self.cost, budget * (1 + 1e-12), side="right")) - 1, 0)

    def step_reaching(self, shortage: float) -> int | None:
        """Fewest steps after which the shortage is at most this; None if no stock reaches it."""
        reached = self.shortage <= shortage
        return int(reached.argmax()) if reached.any() else None


def _steps(kit: StockedKit) -> tuple[float, FloatArray]:
    """Weighted shortage at the floor, and what each pack more takes off it."""
    short = kit.weight * expected_backorders(kit.demand)
    above = np.arange(kit.floor, max(kit.floor, len(short)) + kit.pack, kit.pack)
    levels = short[np.minimum(above, len(short) - 1)]
    gains = levels[:-1] - levels[1:]
    return float(levels[0]), gains[: int(np.searchsorted(-levels[:-1], -NEGLIGIBLE * max(kit.weight, NEGLIGIBLE)))]


def frontier(kits: Sequence[StockedKit]) -> Frontier:
    """Stock that has the least expected shortage for its cost, all kits and storerooms together.

    Marginal analysis: the next pack goes to the kit whose shortage it takes off most per money. Every step is the
    best stock at its cost, because shortage falls ever more slowly in each kit's level; with packs the steps only
    are further apart.

    Parameters
    ----------
    kits : sequence of StockedKit [kits and money]
        At least one.

    Returns
    -------
    Frontier [money and kits]
        Convex: each step takes off less per money than the one before.

    Raises
    ------
    InvalidInput
        If there is no kit.

    References
    ----------
    Sherbrooke (2004), Optimal Inventory Modeling of Systems, chapter 2 (marginal analysis; from memory); Fox (1966),
    Management Science 13:210-216 (why the greedy steps are efficient; from memory).

    Examples
    --------
    >>> cheap = StockedKit(demand=np.array([0.4, 0.3, 0.2, 0.1]), unit_cost=1.0)
    >>> dear = StockedKit(demand=np.array([0.4, 0.3, 0.2, 0.1]), unit_cost=10.0)
    >>> made = frontier([cheap, dear])
    >>> made.levels(made.step_within(12.0))
    array([3, 0])
    """
    check(len(kits) > 0, "`kits` needs at least one")
    made = [_steps(one) for one in kits]
    which = np.repeat(np.arange(len(kits)), [len(gains) for _, gains in made])
    gains = np.concatenate([gains for _, gains in made])
    prices = np.array([one.pack * one.unit_cost for one in kits])
    # rounding in the tail must not let a kit's later pack go before its earlier one
    worth = np.concatenate([np.minimum.accumulate(own) / price for (_, own), price in zip(made, prices, strict=True)])
    order = np.argsort(-worth, kind="stable")
    begin = sum(one.floor * one.unit_cost for one in kits)
    return Frontier(
        cost=begin + np.concatenate(([0.0], np.cumsum(prices[which[order]]))),
        shortage=np.maximum(sum(short for short, _ in made) - np.concatenate(([0.0], np.cumsum(gains[order]))), 0.0),
        kit=which[order],
        floors=np.array([one.floor for one in kits]),
        packs=np.array([one.pack for one in kits]),
    )
