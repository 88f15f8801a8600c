"""From what a run stored to the choice of stock under a budget, and back to rows."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

import numpy as np

from forecasting.frontier import Frontier, StockedKit, expected_backorders, frontier
from models.runs import RunReorderPoint
from service.schemas.frontier import FrontierLevelOut, FrontierPointOut
from service.schemas.results import rounded

Key = tuple[str, str]
"""Storeroom and kit, as keys."""
PointKind = Literal["frontier", "present_stock", "reorder_points"]
PADDING = 2
"""Places of a distribution kept beyond the largest demand, so that a level may cover all of it."""


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A kit in a storeroom, what the run said of it and how the choice of stock sees it."""

    row: RunReorderPoint
    unit_cost: Decimal
    kit: StockedKit

    def shortage(self, level: int) -> float:
        """Weighted kits short at a level of stock."""
        short = expected_backorders(self.kit.demand)
        missing = float(short[min(max(level, 0), len(short) - 1)]) + max(-level, 0)
        return self.kit.weight * missing

    @property
    def present(self) -> int:
        """Stock position now."""
        return self.row.position or 0

    @property
    def kept(self) -> int:
        """What the reorder point keeps at least."""
        return (self.row.reorder_point or 0) + 1


def _demand(probabilities: Sequence[float]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Make stored probabilities, rounded as they were published, sum to 1 again."""
    chances = np.array([*probabilities, *[0.0] * PADDING])
    return np.asarray(chances / chances.sum())


def choices(rows: Sequence[RunReorderPoint], demand: Mapping[Key, Sequence[float]]) -> list[Choice]:
    """Say between what stock is chosen: kits with a price, a reorder point and a stored demand.

    Parameters
    ----------
    rows : sequence of RunReorderPoint
        Of a run.
    demand : mapping from (storeroom, kit) to probabilities
        In the protection interval, by keys.

    Returns
    -------
    list of Choice
        In the order of storerooms and kits.
    """
    made = []
    for row in sorted(rows, key=lambda one: (one.storeroom_key, one.kit_key)):
        chances = demand.get((row.storeroom_key, row.kit_key))
        if not chances or not row.unit_cost or row.reorder_point is None:
            continue
        kit = StockedKit(
            demand=_demand(chances),
            unit_cost=float(row.unit_cost),
            weight=float(row.details.get("shortage_weight", 1.0)),
            pack=int(row.details.get("pack_qty", 1)),
            floor=int(row.details.get("floor_qty", 0)),
        )
        made.append(Choice(row=row, unit_cost=row.unit_cost, kit=kit))
    return made


def made_of(offered: Sequence[Choice]) -> Frontier:
    """Find the frontier of what there is to choose.

    Parameters
    ----------
    offered : sequence of Choice
        At least one.

    Returns
    -------
    Frontier
        From the floors upwards.
    """
    return frontier([one.kit for one in offered])


def _point(offered: Sequence[Choice], levels: Sequence[int], point: PointKind) -> FrontierPointOut:
    cost = sum((one.unit_cost * max(level, 0) for one, level in zip(offered, levels, strict=True)), Decimal(0))
    shortage = sum(one.shortage(level) for one, level in zip(offered, levels, strict=True))
    return FrontierPointOut(
        point=point,
        step=0 if point == "frontier" else None,
        storeroom=None,
        kit=None,
        stock_level=None,
        unit_cost=None,
        cost=cost,
        shortage=rounded(shortage),
    )


def reference_points(offered: Sequence[Choice]) -> list[FrontierPointOut]:
    """Say where the present stock lies, and the run's reorder points.

    Parameters
    ----------
    offered : sequence of Choice
        Kits in storerooms.

    Returns
    -------
    list of FrontierPointOut
        Present stock (positions: orders on their way count), then reorder points.
    """
    present, kept = [one.present for one in offered], [one.kept for one in offered]
    return [_point(offered, present, "present_stock"), _point(offered, kept, "reorder_points")]


def frontier_points(offered: Sequence[Choice], made: Frontier, *, steps: int) -> Iterator[FrontierPointOut]:
    """Lay out the steps of the frontier.

    Parameters
    ----------
    offered : sequence of Choice
        Kits in storerooms.
    made : Frontier
        Of them.
    steps : int
        So many after the floors.

    Yields
    ------
    FrontierPointOut
        The floors first; money is exact.
    """
    levels = [int(level) for level in made.floors]
    yield _point(offered, levels, "frontier")
    cost = sum((one.unit_cost * level for one, level in zip(offered, levels, strict=True)), Decimal(0))
    for step in range(steps):
        which = int(made.kit[step])
        one, pack = offered[which], int(made.packs[which])
        levels[which] += pack
        cost += one.unit_cost * pack
        yield FrontierPointOut(
            point="frontier",
            step=step + 1,
            storeroom=one.row.storeroom,
            kit=one.row.kit,
            stock_level=levels[which],
            unit_cost=one.unit_cost,
            cost=cost,
            shortage=rounded(float(made.shortage[step + 1])),
        )


def frontier_levels(offered: Sequence[Choice], made: Frontier, *, step: int) -> list[FrontierLevelOut]:
    """Lay out how many of each kit are kept after so many steps.

    Parameters
    ----------
    offered : sequence of Choice
        Kits in storerooms.
    made : Frontier
        Of them.
    step : int
        Of the frontier.

    Returns
    -------
    list of FrontierLevelOut
        In the order of storerooms and kits.
    """
    return [
        FrontierLevelOut(
            storeroom=one.row.storeroom,
            kit=one.row.kit,
            stock_level=level,
            present_level=one.present,
            reorder_point_level=one.kept,
            unit_cost=one.unit_cost,
            cost=one.unit_cost * level,
            shortage=rounded(one.shortage(level)),
            weight=rounded(one.kit.weight),
        )
        for one, level in zip(offered, (int(level) for level in made.levels(step)), strict=True)
    ]
