"""From a stored reorder point to a line of the order list, and what other storerooms have of the same kit."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from msgspec import structs

from forecasting.stocking import StockDecision
from models.runs import RunReorderPoint
from service.schemas.results import OrderLineOut, from_row
from service.translate_stock import AskedStock

Key = tuple[str, str]
"""Storeroom and kit."""
ACTIONS = ("order", "accepted_not_ordered", "declined", "chase_overdue")


def stock_elsewhere(asked: Sequence[AskedStock], decisions: Mapping[Key, StockDecision]) -> dict[Key, dict[str, int]]:
    """Count what each storeroom could lend of a kit: usable, and neither asked for nor reserved.

    Parameters
    ----------
    asked : sequence of AskedStock
        What was asked.
    decisions : mapping from (storeroom, kit) to StockDecision
        Where there are none what is on the shelf and not expired counts.

    Returns
    -------
    dict from (storeroom, kit) to dict from storeroom to int [kits]
        Of the other storerooms, only those that have some.
    """
    free: dict[str, dict[str, int]] = defaultdict(dict)
    for one in asked:
        question = one.question
        decision = decisions.get((question.storeroom, question.kit))
        usable = question.on_hand - question.expired if decision is None else decision.position.usable
        kits = usable - question.unfilled - question.reserved
        if kits > 0:
            free[question.kit][question.storeroom] = kits
    return {
        (room, kit): {other: kits for other, kits in free[kit].items() if other != room}
        for room, kit in ((one.question.storeroom, one.question.kit) for one in asked)
    }


def with_elsewhere(row: dict[str, object], others: Mapping[str, int]) -> dict[str, object]:
    """Say in the row of a reorder point what other storerooms have of its kit.

    Parameters
    ----------
    row : dict
        Columns of run_reorder_points.
    others : mapping from storeroom to int [kits]
        May be empty.

    Returns
    -------
    dict
        The same, with its details, and its reason where there is something to order.
    """
    if not others:
        return row
    details, rooms = row["details"], sorted(others)
    told = (details if isinstance(details, dict) else {}) | {"elsewhere": {room: others[room] for room in rooms}}
    said = " and ".join(f"{others[room]} in {room}" for room in rooms)
    reason = f"{row['reason']}; in other storerooms: {said}" if row["proposed_quantity"] else row["reason"]
    return row | {"reason": reason, "details": told}


def order_line(row: RunReorderPoint, *, method: str | None, taken: int | None = None) -> OrderLineOut:
    """Shape a line of the order list.

    Parameters
    ----------
    row : RunReorderPoint
        As stored; one of an earlier version lacks some of the details.
    method : str or None
        Of the run.
    taken : int or None [kits]
        Accepted of this run's proposal; None: nothing was decided since.

    Returns
    -------
    OrderLineOut
        The position and how it was made up.
    """
    details: dict[str, Any] = row.details
    stock_out = details.get("stock_out_on")
    line = from_row(
        OrderLineOut,
        row,
        order_quantity=row.proposed_quantity,
        overdue_qty=details.get("overdue_qty", 0),
        method=method,
        action="|".join(_actions(row)),
        usable_on_hand=_usable(details),
        **{name: details.get(name) for name in ("unfilled", "reserved", "on_order_counted", "on_order_late")},
        accepted_qty=details.get("accepted_qty", 0),
        stock_out_on=None if stock_out is None else date.fromisoformat(stock_out),
        elsewhere="|".join(f"{room}:{kits}" for room, kits in details.get("elsewhere", {}).items()) or None,
        turnaround=None,
    )
    return line if taken is None else decided(line, taken)


def decided(line: OrderLineOut, taken: int) -> OrderLineOut:
    """Say of a line that a named holder has decided about it since the forecast; nothing more is to be ordered.

    Parameters
    ----------
    line : OrderLineOut
        As the run left it.
    taken : int [kits]
        Accepted since; 0: declined.

    Returns
    -------
    OrderLineOut
        The same, with what was decided.
    """
    actions = {*line.action.split("|"), "accepted_not_ordered" if taken else "declined"} - {"order", ""}
    said = f"{taken} accepted since this forecast, on no order yet" if taken else "declined since this forecast"
    return structs.replace(
        line,
        position=None if line.position is None else line.position + taken,
        order_quantity=0,
        cost=None,
        action="|".join(word for word in ACTIONS if word in actions),
        accepted_qty=line.accepted_qty + taken,
        reason=f"{said}; before that: {line.reason}",
    )


def _actions(row: RunReorderPoint) -> list[str]:
    """Say what a line asks for."""
    wanted = {
        "order": bool(row.proposed_quantity),
        "accepted_not_ordered": row.details.get("accepted_qty", 0) > 0,
        "chase_overdue": row.details.get("overdue_qty", 0) > 0,
    }
    return [action for action, holds in wanted.items() if holds]


def _usable(details: Mapping[str, Any]) -> int | None:
    on_hand = details.get("on_hand")
    return None if on_hand is None else on_hand - details.get("expired", 0) - details.get("expiring", 0)
