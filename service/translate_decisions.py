"""From a stock decision to the row a run stores, with the sentence that says why."""

from datetime import date

from forecasting.stocking import StockDecision
from service.translate_results import METHOD, Row, round6
from service.translate_stock import AskedStock


def _order_reason(asked: AskedStock, decision: StockDecision) -> str:
    """Say in a sentence why to order, or why not."""
    question, position = asked.question, decision.position.position
    held = f"position {position}, reorder point {decision.reorder_point}"
    days = f"{question.protection_interval:g} days"
    wear = f"{decision.demand:.2g} expected in the {days} an order and the next review take"
    if not decision.proposed:
        return f"{held}: enough; {wear}"
    risk = f"{decision.short_if_ordered_today:.0%} chance to run out before an order of today arrives"
    return f"{held}; {wear}; {risk}"


def reorder_row(asked: AskedStock, decision: StockDecision | None, *, as_of: date, history_days: float) -> Row:
    """One kit in one storeroom.

    Parameters
    ----------
    asked : AskedStock
        What was asked.
    decision : StockDecision or None
        None: no valve served takes the kit, or nothing is known of how long its items last.
    as_of : date
        An order proposed is for this day.
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
        "target": question.target,
        "rule": question.rule.value,
        "present_reorder_point": asked.present_reorder_point,
        "unit_cost": asked.unit_cost,
    }
    if decision is None:
        reason = "no lifetime is known for what it renews" if question.valves else "no valve it serves takes this kit"
        return row | {"status": "not_computed", "reason": reason, "proposed_quantity": 0, "details": {}}
    position, ratio = decision.position, question.lead_time / max(history_days, 1.0)
    warnings = list(asked.warnings)
    if ratio > 0.25:
        warnings.append(f"lead time is {ratio:.0%} of the history: the true chance of running out is higher than shown")
    return row | {
        "reorder_point": decision.reorder_point,
        "order_quantity": decision.order_quantity,
        "cycle_service_level": round6(decision.levels.cycle_service_level),
        "fill_rate": round6(decision.levels.fill_rate),
        "position": position.position,
        "proposed_quantity": decision.proposed,
        "order_by": as_of if decision.proposed else None,
        "cost": None if asked.unit_cost is None or not decision.proposed else asked.unit_cost * decision.proposed,
        "status": "computed",
        "reason": _order_reason(asked, decision),
        "details": {
            "lead_time_days": question.lead_time,
            "lead_time_sd_days": question.lead_time_spread,
            "review_period_days": question.review_period,
            "demand_mean": round6(decision.demand),
            "yearly_demand_mean": round6(decision.yearly_demand),
            "short_if_ordered_today": round6(decision.short_if_ordered_today),
            "simple_bound_reorder_point": decision.bound,
            "floor_qty": asked.floor_qty,
            "target_source": asked.target_source,
            "consequence": asked.consequence,
            "on_hand": position.on_hand,
            "expired": position.expired,
            "unfilled": position.unfilled,
            "reserved": position.reserved,
            "on_order_counted": position.on_order,
            "on_order_late": position.late,
            "overdue_qty": position.overdue,
            "lead_time_over_history": round6(ratio),
            "method": METHOD,
            "warnings": warnings,
        },
    }
