"""From what was accepted for turnarounds to what is on order, or has come, for each of those still to come."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from forecasting.stock_positions import OpenOrder
from service.schemas.records import TurnaroundRecord
from service.translate_accepted import AcceptedKits, Key, OrderKey, Purposes


@dataclass(frozen=True, kw_only=True)
class ForTurnaround:
    """Kits of one storeroom that somebody accepted for a turnaround; the running need doesn't count them.

    Parameters
    ----------
    accepted : int [kits]
        On no order yet.
    orders : tuple of OpenOrder [kits]
        On order for it.
    received : int [kits]
        Came for it and are kept until it begins.
    """

    accepted: int = 0
    orders: tuple[OpenOrder, ...] = ()
    received: int = 0

    def there_by(self, days: float) -> int:
        """Count what is there so many days from now."""
        return self.accepted + self.received + sum(order.qty for order in self.orders if order.due <= days)

    @property
    def on_order(self) -> int:
        """Kits on order for it, whenever they are due."""
        return sum(order.qty for order in self.orders)

    @property
    def total(self) -> int:
        """Kits accepted for it, wherever they are."""
        return self.accepted + self.on_order + self.received

    @property
    def overdue(self) -> int:
        """Kits on order for it that should be there."""
        return sum(order.qty for order in self.orders if order.due < 0)


@dataclass(frozen=True, kw_only=True)
class OpenLine:
    """What is still to come of an order, and when."""

    due: float
    rest: int


def for_turnarounds(
    accepted: Mapping[Key, Purposes],
    lines: Mapping[OrderKey, OpenLine],
    turnarounds: Iterable[TurnaroundRecord],
    *,
    as_of: date,
) -> dict[Key, dict[str, ForTurnaround]]:
    """Find what is there, or on the way, for each turnaround still to come.

    Parameters
    ----------
    accepted : mapping from (storeroom, kit) to Purposes
        From `accepted_kits`.
    lines : mapping from (ref, line) to OpenLine
        Orders of which something is still to come.
    turnarounds : iterable of TurnaroundRecord
        Of the record. When one is over, or is no longer in it, what was kept for it is stock like any other.
    as_of : date
        Data cut-off.

    Returns
    -------
    dict from (storeroom, kit) to dict from turnaround to ForTurnaround [kits]
        Only where something was accepted for one of them.
    """
    begins = {
        one.code: one.starts_on
        for one in turnarounds
        if one.starts_on is not None and max(one.starts_on, one.ends_on or one.starts_on) > as_of
    }
    rest = {key: line.rest for key, line in lines.items()}
    found = {
        key: {
            code: _of(kits, lines, rest, kept=begins[code] > as_of)
            for code, kits in purposes.items()
            if code is not None and code in begins
        }
        for key, purposes in accepted.items()
    }
    return {key: of for key, of in found.items() if of}


def _of(
    kits: AcceptedKits, lines: Mapping[OrderKey, OpenLine], rest: dict[OrderKey, int], *, kept: bool
) -> ForTurnaround:
    """Say what of its orders is still to come; `rest` loses it, so that no kit of an order comes for two purposes."""
    orders, received = [], 0
    for key, qty in kits.ordered:
        coming = min(qty, rest.get(key, 0))
        if coming:
            rest[key] -= coming
            orders.append(OpenOrder(due=lines[key].due, qty=coming))
        received += qty - coming
    # once it has begun, what came for it is being used
    return ForTurnaround(accepted=kits.open, orders=tuple(orders), received=received if kept else 0)


def without_theirs(orders: Sequence[OpenOrder], theirs: Mapping[str, ForTurnaround]) -> tuple[OpenOrder, ...]:
    """Leave out of the open orders what is for turnarounds.

    Parameters
    ----------
    orders : sequence of OpenOrder [kits]
        Of a kit in a storeroom.
    theirs : mapping from turnaround to ForTurnaround
        What of them is for which.

    Returns
    -------
    tuple of OpenOrder [kits]
        In the same order.
    """
    taken: dict[float, int] = {}
    for one in theirs.values():
        for order in one.orders:
            taken[order.due] = taken.get(order.due, 0) + order.qty
    left = []
    for order in orders:
        used = min(order.qty, taken.get(order.due, 0))
        taken[order.due] = taken.get(order.due, 0) - used
        if order.qty > used:
            left.append(OpenOrder(due=order.due, qty=order.qty - used))
    return tuple(left)
