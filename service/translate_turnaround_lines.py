"""From the kits that runs plan for turnarounds to lines of the order list."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import msgspec

from models.base import code_key
from service.schemas.results import OrderLineOut
from service.schemas.turnarounds import PlannedKits, TurnaroundKitOut

DAYS_AHEAD = 30
"""What is to be ordered later than that isn't listed yet."""
FIRST_ID = 2**30
"""Beyond the ids of stored rows, so that a cursor says which kind of line it stands at."""


def storerooms_of(kit: TurnaroundKitOut) -> list[str]:
    """List the storerooms that serve the valves a kit is for, as its plan stored them."""
    return msgspec.convert(kit.details["storerooms"], list[str])


@dataclass(frozen=True, kw_only=True)
class TurnaroundLine:
    """A kit to order for a turnaround, and where that stands in the order list."""

    id: int
    order_by: date
    turnaround: str
    kit: TurnaroundKitOut

    @property
    def storeroom(self) -> str:
        """The first that serves its valves; '' if none is known."""
        return next(iter(storerooms_of(self.kit)), "")

    @property
    def place(self) -> tuple[date, int]:
        """By the day to act on, after what stock needs on that day."""
        return self.order_by, self.id


def turnaround_lines(plans: Sequence[PlannedKits], *, as_of: date) -> list[TurnaroundLine]:
    """Find what is to be ordered for turnarounds now or soon.

    Parameters
    ----------
    plans : sequence of PlannedKits
        Of one run, in the order they were stored.
    as_of : date
        Its data cut-off.

    Returns
    -------
    list of TurnaroundLine
        To be ordered by DAYS_AHEAD days after the cut-off, late ones first.
    """
    soon = as_of + timedelta(days=DAYS_AHEAD)
    found = [
        (kit.order_by, plan.code, kit)
        for plan in plans
        for kit in plan.kits
        if kit.to_order and kit.order_by is not None and kit.order_by <= soon
    ]
    found.sort(key=lambda one: (one[0], one[1], one[2].kit))
    return [
        TurnaroundLine(id=FIRST_ID + place, order_by=order_by, turnaround=code, kit=kit)
        for place, (order_by, code, kit) in enumerate(found)
    ]


def of_storeroom(lines: Sequence[TurnaroundLine], storeroom: str | None) -> list[TurnaroundLine]:
    """Keep the lines of a storeroom.

    Parameters
    ----------
    lines : sequence of TurnaroundLine
        Of all storerooms.
    storeroom : str or None
        None keeps all.

    Returns
    -------
    list of TurnaroundLine
        In the same order.
    """
    return [line for line in lines if storeroom is None or code_key(line.storeroom) == code_key(storeroom)]


def order_line_of(line: TurnaroundLine, *, method: str) -> OrderLineOut:
    """Shape a turnaround's line of the order list.

    Parameters
    ----------
    line : TurnaroundLine
        What is to be ordered.
    method : str
        Of the run.

    Returns
    -------
    OrderLineOut
        Without position and levels, which are those of the running need.
    """
    kit = line.kit
    return OrderLineOut(
        storeroom=line.storeroom,
        kit=kit.kit,
        position=None,
        reorder_point=None,
        order_quantity=kit.to_order,
        order_by=line.order_by,
        cost=kit.cost,
        reason=f"for turnaround {line.turnaround}: {kit.reason}{_served(kit)}",
        overdue_qty=0,
        unit_cost=kit.unit_cost,
        status="computed",
        method=method,
        action="order",
        present_reorder_point=None,
        usable_on_hand=None,
        unfilled=None,
        reserved=None,
        on_order_counted=None,
        on_order_late=None,
        accepted_qty=0,
        stock_out_on=None,
        elsewhere=None,
        turnaround=line.turnaround,
    )


def _served(kit: TurnaroundKitOut) -> str:
    rooms = storerooms_of(kit)
    return f" Its valves are served by {' and '.join(rooms)}; listed under the first." if len(rooms) > 1 else ""
