"""From the kits that runs plan for turnarounds to lines of the order list."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import msgspec

from models.base import code_key
from service.schemas.results import OrderLineOut
from service.schemas.turnarounds import PlannedKits, TurnaroundKitOut
from service.translate_order_lines import ACTIONS, decided

DAYS_AHEAD = 30
"""What is to be ordered later than that isn't listed yet."""
FIRST_ID = 2**30
"""Beyond the ids of stored rows, so that a cursor says which kind of line it stands at."""


def storerooms_of(kit: TurnaroundKitOut) -> list[str]:
    """List the storerooms that serve the valves a kit is for, as its plan stored them."""
    return msgspec.convert(kit.details["storerooms"], list[str])


def count_of(kit: TurnaroundKitOut, name: str) -> int:
    """Read a number of kits that a plan keeps with a kit; 0 where one of an earlier version keeps none."""
    return msgspec.convert(kit.details.get(name, 0), int)


@dataclass(frozen=True, kw_only=True)
class TurnaroundLine:
    """A kit to order, or to chase, for a turnaround, and where that stands in the order list.

    Parameters
    ----------
    id : int
        Of the line.
    order_by : date
        The day to act on.
    turnaround : str
        Code.
    kit : TurnaroundKitOut
        As planned.
    quantity : int [kits]
        To order now.
    taken : int or None [kits]
        Accepted of this run's plan; None: nothing was decided since.
    """

    id: int
    order_by: date
    turnaround: str
    kit: TurnaroundKitOut
    quantity: int
    taken: int | None = None

    @property
    def storeroom(self) -> str:
        """The first that serves its valves; '' if none is known."""
        return next(iter(storerooms_of(self.kit)), "")

    @property
    def place(self) -> tuple[date, int]:
        """By the day to act on, after what stock needs on that day."""
        return self.order_by, self.id


def turnaround_lines(
    plans: Sequence[PlannedKits], taken: Mapping[tuple[str, str], int], *, as_of: date
) -> list[TurnaroundLine]:
    """Find what is to be ordered for turnarounds now or soon, what was accepted for them, and what is overdue.

    Parameters
    ----------
    plans : sequence of PlannedKits
        Of one run, in the order they were stored.
    taken : mapping from (turnaround, kit) to int [kits]
        Accepted since, by keys.
    as_of : date
        Its data cut-off.

    Returns
    -------
    list of TurnaroundLine
        To be ordered by DAYS_AHEAD days after the cut-off, or decided about, or on order; late ones first.
    """
    found = []
    for plan in plans:
        for kit in plan.kits:
            line = _line(plan.code, kit, taken.get((code_key(plan.code), code_key(kit.kit))), as_of=as_of)
            found += [] if line is None else [line]
    found.sort(key=lambda line: (line.order_by, line.turnaround, line.kit.kit))
    return [replace(line, id=FIRST_ID + place) for place, line in enumerate(found)]


def _line(code: str, kit: TurnaroundKitOut, taken: int | None, *, as_of: date) -> TurnaroundLine | None:
    """Make a line of a kit, unless nothing is to be done about it now or soon."""
    due = kit.to_order > 0 and kit.order_by is not None and kit.order_by <= as_of + timedelta(days=DAYS_AHEAD)
    accepted = count_of(kit, "accepted_qty") + (taken or 0)
    if not due and not accepted and not count_of(kit, "overdue_qty"):
        return None
    planned = str(kit.details.get("planned_order_by", ""))
    # what is accepted is to be put on an order by the day it was planned for, what is overdue is to be chased today
    order_by = kit.order_by or (date.fromisoformat(planned) if accepted and planned else as_of)
    return TurnaroundLine(
        id=0, order_by=order_by, turnaround=code, kit=kit, quantity=kit.to_order if due else 0, taken=taken
    )


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
    accepted, overdue = count_of(kit, "accepted_qty"), count_of(kit, "overdue_qty")
    asks = {"order": line.quantity, "accepted_not_ordered": accepted, "chase_overdue": overdue}
    made = OrderLineOut(
        storeroom=line.storeroom,
        kit=kit.kit,
        position=None,
        reorder_point=None,
        order_quantity=line.quantity,
        order_by=line.order_by,
        cost=kit.cost if line.quantity else None,
        reason=f"for turnaround {line.turnaround}: {kit.reason}{_served(kit)}",
        overdue_qty=overdue,
        unit_cost=kit.unit_cost,
        status="computed",
        method=method,
        action="|".join(word for word in ACTIONS if asks.get(word)),
        present_reorder_point=None,
        usable_on_hand=None,
        unfilled=None,
        reserved=None,
        on_order_counted=None,
        on_order_late=None,
        accepted_qty=accepted,
        stock_out_on=None,
        elsewhere=None,
        turnaround=line.turnaround,
    )
    return made if line.taken is None else decided(made, line.taken)


def _served(kit: TurnaroundKitOut) -> str:
    rooms = storerooms_of(kit)
    return f" Its valves are served by {' and '.join(rooms)}; listed under the first." if len(rooms) > 1 else ""
