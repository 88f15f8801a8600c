"""Stock questions that a run kept, asked again with other lead times, targets or prices."""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

import msgspec
import numpy as np

from forecasting.known_demand import KnownDemand
from forecasting.stocking import Rule, decide
from models.runs import RunReorderPoint
from service.schemas.results import rounded
from service.schemas.what_if import WhatIfChange, WhatIfLevels, WhatIfNeed, WhatIfRequest, WhatIfTotals
from service.translate_decisions import reorder_row
from service.translate_stock import AskedStock, Assumptions

Key = tuple[str, str]
"""Storeroom and kit."""
IN_DETAILS = ("stock_mean", "short_per_year", "cost_per_year", "order_expiring_mean")


@dataclass(frozen=True, kw_only=True)
class StockCase:
    """A question as it was asked, without its valves, and the demand it rests on.

    Parameters
    ----------
    asked : AskedStock
        What was asked.
    history_days : float [days]
        Length of the record behind it.
    ends : tuple of float [days from now]
        Until which days demand is known.
    probabilities : tuple of tuples of float [1]
        P(D = 0), P(D = 1), ... until each.
    """

    asked: AskedStock
    history_days: float
    ends: tuple[float, ...]
    probabilities: tuple[tuple[float, ...], ...]


def unpacked_cases(packed: bytes) -> list[StockCase]:
    """Read what a run kept.

    Parameters
    ----------
    packed : bytes
        As stored.

    Returns
    -------
    list of StockCase
        In the order they were asked.
    """
    return msgspec.msgpack.decode(zlib.decompress(packed), type=list[StockCase])


def changed(asked: AskedStock, wanted: WhatIfRequest, *, assumed: Assumptions) -> AskedStock:
    """Ask the same with what is stated otherwise.

    Parameters
    ----------
    asked : AskedStock
        As a run asked.
    wanted : WhatIfRequest
        What is otherwise; a lead time without a spread keeps its spread in proportion, a target without a rule is one
        of cycle service level where cost decided.
    assumed : Assumptions
        What holding a kit costs.

    Returns
    -------
    AskedStock
        The question to decide.
    """
    question = asked.question
    lead = question.lead_time if wanted.lead_time_days is None else wanted.lead_time_days
    spread = question.lead_time_spread * lead / question.lead_time if question.lead_time else 0.0
    price = asked.unit_cost if wanted.unit_cost is None else wanted.unit_cost
    life = question.shelf_life if wanted.shelf_life_days is None else float(wanted.shelf_life_days)
    stated: dict[str, Any] = {
        "review_period": wanted.review_period_days,
        "lead_time_spread": spread if wanted.lead_time_sd_days is None else wanted.lead_time_sd_days,
        "target": wanted.target,
        "rule": _rule(wanted, question.rule),
        "floor": wanted.floor_qty,
        "min_order": wanted.min_order_qty,
        "pack": wanted.pack_qty,
    }
    question = replace(
        question,
        lead_time=lead,
        shelf_life=life,
        holding_cost=float(price) * assumed.holding_rate_per_year if price else None,
        **{name: value for name, value in stated.items() if value is not None},
    )
    kept = asked.shelf_life
    if wanted.shelf_life_days is not None and kept is not None:
        kept = replace(kept, days=life, source="what if")
    return replace(asked, question=question, unit_cost=price, floor_qty=question.floor, shelf_life=kept)


def _rule(wanted: WhatIfRequest, rule: Rule) -> Rule:
    if wanted.rule is not None:
        return Rule(wanted.rule)
    return Rule.CYCLE if wanted.target is not None and rule is Rule.LEAST_COST else rule


def answered(case: StockCase, asked: AskedStock, *, as_of: date) -> WhatIfLevels:
    """Decide a question by the demand that was kept.

    Parameters
    ----------
    case : StockCase
        What is known of demand.
    asked : AskedStock
        The question, changed or not.
    as_of : date
        Data cut-off of the run.

    Returns
    -------
    WhatIfLevels
        As published.

    Raises
    ------
    InvalidInput
        If it can't be decided.
    """  # noqa: DOC502 (comes from decide)
    known = KnownDemand(ends=case.ends, probabilities=tuple(np.array(pmf) for pmf in case.probabilities))
    row = reorder_row(asked, decide(asked.question, cache(known.over)), as_of=as_of, history_days=case.history_days)
    return levels(row)


def as_stored(row: RunReorderPoint) -> dict[str, Any]:
    """Take the columns of a stored reorder point.

    Parameters
    ----------
    row : RunReorderPoint
        Of a run.

    Returns
    -------
    dict
        As `levels` reads them.
    """
    return {name: getattr(row, name) for name in WhatIfLevels.__struct_fields__ if hasattr(row, name)} | {
        "details": row.details
    }


def levels(row: Mapping[str, Any]) -> WhatIfLevels:
    """Shape what was decided.

    Parameters
    ----------
    row : mapping
        Columns of run_reorder_points.

    Returns
    -------
    WhatIfLevels
        As published.
    """
    details = row["details"]
    columns = {name: row.get(name) for name in WhatIfLevels.__struct_fields__}
    columns |= {name: details.get(name) for name in (*IN_DETAILS, "stock_out_on")}
    return msgspec.convert(
        {name: rounded(value) if isinstance(value, float) else value for name, value in columns.items()}, WhatIfLevels
    )


def change_between(before: WhatIfLevels, after: WhatIfLevels) -> WhatIfChange:
    """Subtract; where either isn't known there is no change to tell.

    Parameters
    ----------
    before, after : WhatIfLevels
        Of one kit in one storeroom.

    Returns
    -------
    WhatIfChange
        After less before.
    """
    return WhatIfChange(**{
        name: _less(getattr(after, name), getattr(before, name)) for name in WhatIfChange.__struct_fields__
    })


def change_of_need(before: WhatIfNeed, after: WhatIfNeed) -> WhatIfNeed:
    """Subtract demand.

    Parameters
    ----------
    before, after : WhatIfNeed
        Of one kit.

    Returns
    -------
    WhatIfNeed
        After less before.
    """
    return WhatIfNeed(**{
        name: _less(getattr(after, name), getattr(before, name)) for name in WhatIfNeed.__struct_fields__
    })


def _less(after: Any, before: Any) -> Any:
    if after is None or before is None:
        return None
    return rounded(after - before) if isinstance(after, float) else after - before


def totals(every: Sequence[WhatIfLevels]) -> WhatIfTotals:
    """Add up what is decided of several kits.

    Parameters
    ----------
    every : sequence of WhatIfLevels
        Of one kit in one storeroom each.

    Returns
    -------
    WhatIfTotals
        What has no price adds nothing to money.
    """
    return WhatIfTotals(
        lines_to_order=sum(bool(one.proposed_quantity) for one in every),
        cost=sum((one.cost for one in every if one.cost is not None), Decimal(0)),
        stock_value=rounded(sum(float(one.unit_cost or 0) * (one.stock_mean or 0.0) for one in every)),
        short_per_year=rounded(sum(one.short_per_year or 0.0 for one in every)),
    )


def totals_between(before: WhatIfTotals, after: WhatIfTotals) -> WhatIfTotals:
    """Subtract sums.

    Parameters
    ----------
    before, after : WhatIfTotals
        Of the same kits.

    Returns
    -------
    WhatIfTotals
        After less before.
    """
    return WhatIfTotals(**{
        name: _less(getattr(after, name), getattr(before, name)) for name in WhatIfTotals.__struct_fields__
    })
