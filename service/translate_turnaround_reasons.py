"""Why to order a kit for a turnaround, in words: how many by when, what being late or early means, what others take."""

from collections.abc import Sequence
from datetime import date

import msgspec

from service.schemas.turnarounds import TurnaroundKitOut
from service.translate_results import counted
from service.translate_scope_lines import ChosenScope
from service.translate_turnaround_stock import Taking, by_turnaround
from service.translate_works import in_money

PROBABILITY = 0.9
"""Of having enough kits, and of an order being there in time (our convention)."""
PLANNED = "planned_order_by"
OWN = ("accepted_qty", "on_order_qty", "overdue_qty", "received_qty", "too_late_qty")
"""What is kept with a kit of what was accepted for its turnaround."""


def reason_of(
    row: TurnaroundKitOut, chosen: ChosenScope, tags: Sequence[str], *, freeze: date | None, before: Sequence[Taking]
) -> str:
    """Say how many to order by when, and why.

    Parameters
    ----------
    row : TurnaroundKitOut
        The rest of the answer.
    chosen : ChosenScope
        The turnaround's scope.
    tags : sequence of str
        Valves in it that take the kit as planned.
    freeze : date or None
        When the scope is frozen.
    before : sequence of Taking
        What earlier turnarounds take.

    Returns
    -------
    str
        Sentences.
    """
    return _reason(row, chosen, tags, freeze) + _own(row) + _taken_before(before)


def _reason(row: TurnaroundKitOut, chosen: ChosenScope, tags: Sequence[str], freeze: date | None) -> str:
    if not row.to_order:
        return (
            f"Nothing more to order: {row.wanted_qty} suffice with a chance of {PROBABILITY:.0%}, {row.available} are "
            "there or on the way."
        )
    told = f"Order {row.to_order} by {row.order_by}: {row.wanted_qty} suffice with a chance of {PROBABILITY:.0%}"
    if row.days_late:
        late = counted(row.days_late, "day")
        told = (
            f"Order {row.to_order} today, {late} late: there by {row.needed_on} with a chance of "
            f"{row.arrives_in_time:.0%}; {_if_expedited(row, late)}{_deferring(chosen, tags)}"
        )
    if row.order_before_freeze:
        returned = "" if row.surplus_cost is None else f", and {row.surplus_cost:,} of them is expected to stay unused"
        told += (
            f". The scope is frozen later, on {freeze}: this is ordered on probability; the chance that it is needed "
            f"is {row.chance_used:.0%}{returned}; unused kits go back to the shelf, {_if_cancelled(row)}"
        )
    return f"{told}."


def _if_expedited(row: TurnaroundKitOut, late: str) -> str:
    """Say when an order of today is there if it is expedited, for how much; or what expediting would have to save."""
    if row.expedited_there_on is None:
        return f"expediting would have to save {late}"
    cost = "" if row.expediting_cost is None else f" for {row.expediting_cost:,}"
    behind = (row.expedited_there_on - row.needed_on).days
    timely = f"{counted(behind, 'day')} too late" if behind > 0 else "in time"
    return f"expedited{cost} it would be there on {row.expedited_there_on}, {timely}"


def _if_cancelled(row: TurnaroundKitOut) -> str:
    if row.cancelling_cost is None:
        return "what cancelling costs isn't in the record"
    return f"and cancelling what isn't needed is expected to cost {row.cancelling_cost:,}"


def _deferring(chosen: ChosenScope, tags: Sequence[str]) -> str:
    """Say what it would cost to leave the valves that take a kit to the next window."""
    if not tags:
        return "; no planned valve takes it"
    saved = sum(max(chosen.options[tag].value, 0.0) for tag in tags if tag in chosen.options)
    named = ", ".join(tags[:3]) + (f" and {len(tags) - 3} more" if len(tags) > 3 else "")
    return f"; leaving {named} to the next window would cost {in_money(saved):,} more"


def _own(row: TurnaroundKitOut) -> str:
    """Say what became of the kits that somebody accepted for it."""
    qty = msgspec.convert({name: row.details[name] for name in OWN}, dict[str, int])
    said = []
    if qty["accepted_qty"]:
        said.append(f"{qty['accepted_qty']} accepted and on no order yet, to be ordered by {row.details[PLANNED]}")
    if qty["on_order_qty"]:
        overdue = f", {qty['overdue_qty']} of them overdue" if qty["overdue_qty"] else ""
        late = f", {qty['too_late_qty']} of them due too late for it" if qty["too_late_qty"] else ""
        said.append(f"{qty['on_order_qty']} on order{overdue}{late}")
    if qty["received_qty"]:
        said.append(f"{qty['received_qty']} in the storeroom")
    return f" Of what was accepted for it: {'; '.join(said)}." if said else ""


def _taken_before(before: Sequence[Taking]) -> str:
    """Say what earlier turnarounds take of what is there."""
    days = {one.turnaround: one.needed_on for one in before}
    said = [f"{code} on {days[code]} takes {qty}" for code, qty in by_turnaround(before).items()]
    return f" Of what is there {' and '.join(said)} first." if said else ""
