"""From what a run stored to what changes if its order list is accepted."""

from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np

from forecasting.frontier import expected_backorders
from models.runs import RunReorderPoint
from service.schemas.order_effects import OrderEffectOut
from service.schemas.results import rounded

Key = tuple[str, str]
"""Storeroom and kit, as keys."""
LINES_THAT_MATTER = 20
LEVELS = {
    "short_per_year_at_present_levels": "present_short_per_year",
    "short_per_year_at_proposed_levels": "short_per_year",
    "cost_per_year_at_present_levels": "present_cost_per_year",
    "cost_per_year_at_proposed_levels": "cost_per_year",
}
"""What each column of the long run is called in the details of a reorder point."""
SUMMED = ("shortage_now", "shortage_if_accepted", "run_out_now", "run_out_if_accepted", *LEVELS)


def effects(
    rows: Sequence[RunReorderPoint], demand: Mapping[Key, Sequence[float]], taken: Mapping[Key, int]
) -> list[OrderEffectOut]:
    """Say what changes if everything that is still proposed is accepted.

    Parameters
    ----------
    rows : sequence of RunReorderPoint
        Of a run, those without a proposal too.
    demand : mapping from (storeroom, kit) to probabilities
        In the protection interval, by keys.
    taken : mapping from (storeroom, kit) to int [kits]
        Accepted since of what the run proposed, by keys; it counts as it is, and nothing more of its line is to come.

    Returns
    -------
    list of OrderEffectOut
        All kits together, then the lines that avoid most shortage; those whose demand isn't known come last.
    """
    keys = [(row.storeroom_key, row.kit_key) for row in rows]
    every = [_effect(row, demand.get(key), taken.get(key)) for row, key in zip(rows, keys, strict=True)]
    lines = [one for one in every if one.order_quantity]
    # dearer first where nothing else tells them apart
    lines.sort(key=lambda one: (-_avoided(one), -one.cost, one.storeroom or "", one.kit or ""))
    return [_together(every, lines), *lines[:LINES_THAT_MATTER]]


def _avoided(one: OrderEffectOut) -> float:
    if one.shortage_now is None or one.shortage_if_accepted is None:
        return -1.0
    return one.shortage_now - one.shortage_if_accepted


def _effect(row: RunReorderPoint, chances: Sequence[float] | None, taken: int | None) -> OrderEffectOut:
    """Say what ordering does for one kit; what was taken of it already is there either way."""
    quantity = row.proposed_quantity or 0 if taken is None else 0
    long_run = {column: row.details.get(name) for column, name in LEVELS.items()}
    columns: dict[str, float | None] = dict.fromkeys(SUMMED[:4])
    if chances and row.position is not None:
        weight = float(row.details.get("shortage_weight", 1.0))
        position = row.position + (taken or 0)
        now, then = (_short(chances, level) for level in (position, position + quantity))
        columns = dict(zip(SUMMED, (weight * now[0], weight * then[0], now[1], then[1]), strict=False))
    return OrderEffectOut(
        of="line",
        storeroom=row.storeroom,
        kit=row.kit,
        lines=int(bool(quantity)),
        order_quantity=quantity,
        cost=row.cost or Decimal(0) if quantity else Decimal(0),
        lines_without_price=int(bool(quantity) and row.unit_cost is None),
        reason=row.reason,
        **_published(columns),
        **_published(_both_or_none(long_run)),
    )


def _short(chances: Sequence[float], level: int) -> tuple[float, float]:
    """Kits short to be expected, and the chance of any, at a level of stock."""
    pmf = np.array(chances) / np.sum(chances)
    short = expected_backorders(pmf)
    missing = float(short[min(max(level, 0), len(short) - 1)]) if level < len(pmf) else 0.0
    return missing + max(-level, 0), max(0.0, 1.0 - float(pmf[: max(level + 1, 0)].sum()))


def _both_or_none(long_run: dict[str, float | None]) -> dict[str, float | None]:
    """Keep what levels achieve where that of the present ones is known as well."""
    short_now, short_then, cost_now, cost_then = long_run.values()
    pairs = [(short_now, short_then), (cost_now, cost_then)]
    kept = [value for pair in pairs for value in (pair if None not in pair else (None, None))]
    return dict(zip(LEVELS, kept, strict=True))


def _together(every: Sequence[OrderEffectOut], lines: Sequence[OrderEffectOut]) -> OrderEffectOut:
    """Add up; what is known of no kit isn't known of all."""
    sums: dict[str, float | None] = {}
    for name in SUMMED:
        known = [value for one in every if (value := getattr(one, name)) is not None]
        sums[name] = sum(known) if known else None
    return OrderEffectOut(
        of="all",
        storeroom=None,
        kit=None,
        lines=len(lines),
        order_quantity=sum(one.order_quantity for one in lines),
        cost=sum((one.cost for one in lines), Decimal(0)),
        lines_without_price=sum(one.lines_without_price for one in lines),
        reason=None,
        **_published(sums),
    )


def _published(columns: Mapping[str, float | None]) -> dict[str, float | None]:
    return {name: None if value is None else rounded(value) for name, value in columns.items()}
