"""From a stock decision to the row a run stores, with the sentence that says why."""

from datetime import date, timedelta
from decimal import Decimal

from forecasting.issue_demand import PERIOD, IssueDemand
from forecasting.order_quantities import USED_IN_TIME
from forecasting.stock_positions import StockPosition, stock_position
from forecasting.stocking import Rule, StockAchieved, StockDecision
from service.result_rows import METHOD, Row, round6
from service.translate_issues import basis_details, basis_words
from service.translate_stock import AskedStock

SHORT_HISTORY = 0.25
"""Lead time over history above which the reorder point is known to promise too much."""


def _percent(chance: float) -> str:
    """Say a chance; nothing that is forecast is sure."""
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100.0 * chance:.0f} %"


def _kits(expected: float) -> str:
    """Say an expected number of kits."""
    if expected < 0.01:
        return "under 0.01"
    return f"{expected:.2g}" if expected < 10 else f"{expected:.0f}"


def _held(asked: AskedStock, decision: StockDecision) -> str:
    """Say what the stock position is made of, where it isn't the shelf alone."""
    position, kept = decision.position, sum(one.received for one in asked.for_turnarounds.values())
    parts = [f"{position.on_hand} on hand"]
    if position.on_order:
        overdue = f", {position.overdue} of them overdue" if position.overdue else ""
        parts.append(f"{position.on_order} on order{overdue}")
    if kept:
        parts.append(f"{kept} kept for turnarounds")
    if position.reserved > kept:
        parts.append(f"{position.reserved - kept} reserved for other work")
    if position.accepted:
        parts.append(f"{position.accepted} accepted, on no order yet")
    if position.late:
        parts.append(f"{position.late} more due too late")
    if position.expired:
        parts.append(f"{position.expired} expired")
    if position.expiring:
        parts.append(f"{position.expiring} will probably expire unused")
    return f"position {position.position}" + (f" ({'; '.join(parts)})" if len(parts) > 1 else "")


def _order_reason(asked: AskedStock, decision: StockDecision, *, as_of: date) -> str:
    """Say in a sentence why to order, or why not."""
    held = f"{_held(asked, decision)}, reorder point {decision.reorder_point}"
    days = f"{asked.question.protection_interval:.0f} days"
    wear = f"{_kits(decision.demand)} expected in the {days} an order and the next review take"
    if not decision.proposed:
        return "; ".join([f"{held}: enough", wear, *_superseded(asked)])
    risk = f"{_percent(decision.short_if_ordered_today)} chance to run out before an order of today arrives"
    since = [f"was to be ordered by {_order_by(decision, as_of)}"] if decision.days_late else []
    return "; ".join([f"{held}; {wear}; {risk}", *since, *_expiry_reason(asked, decision), *_superseded(asked)])


def _superseded(asked: AskedStock) -> list[str]:
    """Say what of an old kit is used up first, and that its settings hold."""
    told = [f"use up first {qty} of {kit}, which it supersedes" for kit, qty in sorted(asked.old_stock.items())]
    return told + ([] if asked.setting_of is None else [f"by the stock setting of {asked.setting_of}"])


def _order_by(decision: StockDecision, as_of: date) -> date | None:
    """Day by which to order what is proposed."""
    return as_of - timedelta(days=decision.days_late) if decision.proposed else None


def _stock_out_on(decision: StockDecision, as_of: date) -> str | None:
    """Day on which stock has run out as likely as not, if nothing more is ordered."""
    return None if decision.stock_out is None else (as_of + timedelta(days=decision.stock_out)).isoformat()


def _expiry_cost(asked: AskedStock, decision: StockDecision) -> Decimal | None:
    """Price what of the order will probably expire, to the cent."""
    if asked.unit_cost is None:
        return None
    return (asked.unit_cost * Decimal(repr(round6(decision.order_expiring)))).quantize(Decimal("0.01"))


def _expiry_reason(asked: AskedStock, decision: StockDecision) -> list[str]:
    """Say how many of the order will probably expire, and what they cost, where that isn't unlikely."""
    if decision.used_in_time >= USED_IN_TIME:
        return []
    cost = _expiry_cost(asked, decision)
    worth = "" if cost is None else f", worth {cost}"
    return [
        f"{_kits(decision.order_expiring)} of the {decision.proposed} will probably expire before use{worth} "
        f"({_percent(decision.used_in_time)} chance that all are used in time)"
    ]


def _why_not(asked: AskedStock) -> str:
    """Say why there is no decision."""
    if asked.successor is not None:
        return f"superseded by {asked.successor}"
    if asked.question.valves:
        return "no lifetime is known for what it renews"
    return "no valve this storeroom serves takes this kit"


def _of_history(ratio: float) -> str:
    """Say how long the lead time is beside the history."""
    share = f"{100.0 * ratio:.0f} % of the history" if ratio <= 1.0 else "longer than the history"
    return f"lead time is {share}: the true chance of running out is higher than shown"


def _achieved_details(made: StockAchieved | None, *, prefix: str) -> Row:
    """Lay out what levels achieve."""
    if made is None:
        return {}
    return {
        f"{prefix}cycle_service_level": round6(made.levels.cycle_service_level),
        f"{prefix}fill_rate": round6(made.levels.fill_rate),
        f"{prefix}stock_mean": round6(made.stock),
        f"{prefix}short_per_year": round6(made.short),
        f"{prefix}cost_per_year": None if made.cost is None else round6(made.cost),
    }


def _expiry_details(asked: AskedStock, decision: StockDecision) -> Row:
    """Lay out what expires, and what of an order will."""
    life = asked.shelf_life
    if life is None:
        return {}
    cost = _expiry_cost(asked, decision)
    return {
        "shelf_life_days": None if life.days == float("inf") else life.days,
        "shelf_life_source": life.source,
        "order_expiring_mean": round6(decision.order_expiring),
        "order_expiring_cost": None if cost is None else str(cost),
        "order_used_in_time": round6(decision.used_in_time),
    }


def _undecided(asked: AskedStock) -> StockPosition:
    """Make up the position of what nothing is decided about."""
    question = asked.question
    return stock_position(
        on_hand=question.on_hand,
        orders=question.orders,
        protection_interval=question.protection_interval,
        expired=question.expired,
        unfilled=question.unfilled,
        reserved=question.reserved,
        accepted=question.accepted,
    )


def _position_details(position: StockPosition) -> Row:
    """Lay out how a position was made up."""
    return {
        "on_hand": position.on_hand,
        "expired": position.expired,
        "expiring": position.expiring,
        "unfilled": position.unfilled,
        "reserved": position.reserved,
        "on_order_counted": position.on_order,
        "on_order_late": position.late,
        "overdue_qty": position.overdue,
        "accepted_qty": position.accepted,
    }


def _details(asked: AskedStock, decision: StockDecision, ratio: float) -> Row:
    """Lay out what the answer rests on."""
    question = asked.question
    return {
        "lead_time_days": question.lead_time,
        "lead_time_sd_days": question.lead_time_spread,
        "review_period_days": question.review_period,
        "demand_mean": round6(decision.demand),
        "yearly_demand_mean": round6(decision.yearly_demand),
        "short_if_ordered_today": round6(decision.short_if_ordered_today),
        "simple_bound_reorder_point": decision.bound,
        "floor_qty": asked.floor_qty,
        "pack_qty": question.pack,
        "target_source": asked.target_source,
        "consequence": asked.consequence,
        **_position_details(decision.position),
        "old_stock": dict(sorted(asked.old_stock.items())),
        "for_turnarounds": {code: one.total for code, one in sorted(asked.for_turnarounds.items())},
        "lead_time_over_history": round6(ratio),
        "lead_time_orders_seen": asked.orders_seen,
        "shortage_weight": round6(asked.shortage_weight),
        "shortage_weight_is_money": asked.weight_is_money,
        **_achieved_details(decision.achieved, prefix=""),
        **_achieved_details(decision.present, prefix="present_"),
        **_expiry_details(asked, decision),
        "method": METHOD,
        "warnings": [*asked.warnings, *([_of_history(ratio)] if ratio > SHORT_HISTORY else [])],
    }


def reorder_row(asked: AskedStock, decision: StockDecision | None, *, as_of: date, history_days: float) -> Row:
    """One kit in one storeroom.

    Parameters
    ----------
    asked : AskedStock
        What was asked.
    decision : StockDecision or None
        None: no valve served takes the kit, or nothing is known of how long its items last.
    as_of : date
        Data cut-off; an order that should have been placed before is late.
    history_days : float [days]
        Length of the record, beside the lead time.

    Returns
    -------
    dict
        Columns of run_reorder_points.
    """
    question = asked.question
    row: Row = {
        "storeroom": question.storeroom,
        "kit": question.kit,
        "protection_interval_days": question.protection_interval,
        "target": None if question.rule is Rule.LEAST_COST else question.target,
        "rule": question.rule.value,
        "present_reorder_point": asked.present_reorder_point,
        "unit_cost": asked.unit_cost,
    }
    if decision is None:
        known = _position_details(_undecided(asked))
        return row | {"status": "not_computed", "reason": _why_not(asked), "proposed_quantity": 0, "details": known}
    return row | {
        "reorder_point": decision.reorder_point,
        "order_quantity": decision.order_quantity,
        "cycle_service_level": round6(decision.levels.cycle_service_level),
        "fill_rate": round6(decision.levels.fill_rate),
        "position": decision.position.position,
        "proposed_quantity": decision.proposed,
        "order_by": _order_by(decision, as_of),
        "cost": None if asked.unit_cost is None or not decision.proposed else asked.unit_cost * decision.proposed,
        "status": "computed",
        "reason": _order_reason(asked, decision, as_of=as_of),
        "details": _details(asked, decision, question.lead_time / max(history_days, 1.0))
        | {"stock_out_on": _stock_out_on(decision, as_of)},
    }


def reorder_row_from_issues(
    asked: AskedStock, decision: StockDecision | None, alone: IssueDemand, *, as_of: date, unplaced: str | None
) -> Row:
    """One kit in one storeroom that no valve says how to forecast.

    Parameters
    ----------
    asked : AskedStock
        What was asked.
    decision : StockDecision or None
        None: no valve takes the kit, and it was never issued.
    alone : IssueDemand
        What its issues say.
    as_of : date
        An order proposed is for this day.
    unplaced : str or None
        What is to be said of issues that name no storeroom.

    Returns
    -------
    dict
        Columns of run_reorder_points.
    """
    row = reorder_row(asked, decision, as_of=as_of, history_days=alone.periods * PERIOD)
    why = _why_not(asked) if asked.question.valves else "no valve in the register takes it"
    details = row["details"] if isinstance(row["details"], dict) else {}
    warnings = [*details.get("warnings", []), *([unplaced] if unplaced else [])]
    if decision is None:
        reason = f"{why} and none was issued in {alone.periods} months: no order is proposed"
    else:
        reason = f"{row['reason']}; {why}: {basis_words(alone)}"
    return row | {"reason": reason, "details": details | basis_details(alone) | {"warnings": warnings}}
