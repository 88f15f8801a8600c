"""What counts as stock for the reorder decision."""

from collections.abc import Sequence
from dataclasses import dataclass

from forecasting.arrays import check

__all__ = ["OpenOrder", "StockPosition", "stock_position"]


@dataclass(frozen=True, kw_only=True)
class OpenOrder:
    """What is still to come of one order.

    Parameters
    ----------
    due : float [days from now]
        Negative: overdue.
    qty : int [kits]
        Not yet received.

    Raises
    ------
    InvalidInput
        If nothing is to come, or `due` is no number.
    """

    due: float
    qty: int

    def __post_init__(self) -> None:
        """Refuse what is no open order."""
        check(self.qty > 0 and self.due == self.due, f"an open order needs a `qty` and a `due`, got {self}")


@dataclass(frozen=True, kw_only=True)
class StockPosition:
    """What counts as stock for the reorder decision, and how it was made up.

    Parameters
    ----------
    on_hand, expired, unfilled, reserved : int [kits]
        On the shelf; of which unusable; requests not met; kept for needs outside the forecast.
    accepted : int [kits]
        Proposals accepted and on no order yet.
    on_order, overdue, late : int [kits]
        Due by the end of the protection interval, overdue ones included; of which overdue; due later, not counted.
    expiring : int [kits]
        Of those on the shelf will probably expire unused inside the protection interval.
    """

    on_hand: int
    expired: int
    unfilled: int
    reserved: int
    on_order: int
    overdue: int
    late: int
    expiring: int = 0
    accepted: int = 0

    @property
    def usable(self) -> int:
        """On hand - expired - what will probably expire unused, in kits."""
        return self.on_hand - self.expired - self.expiring

    @property
    def position(self) -> int:
        """Usable on hand - unfilled - reserved + on order + accepted, in kits."""
        return self.usable - self.unfilled - self.reserved + self.on_order + self.accepted


def stock_position(
    *,
    on_hand: int,
    orders: Sequence[OpenOrder],
    protection_interval: float,
    expired: int = 0,
    unfilled: int = 0,
    reserved: int = 0,
    expiring: int = 0,
    accepted: int = 0,
) -> StockPosition:
    """Make up the stock position for the reorder decision.

    Parameters
    ----------
    on_hand : int [kits]
        Counted on the shelf.
    orders : sequence of OpenOrder [kits]
        Firm and open.
    protection_interval : float [days]
        Lead time plus review period.
    expired, unfilled, reserved, expiring, accepted : int [kits]
        See `StockPosition`.

    Returns
    -------
    StockPosition [kits]
        Orders due later are late supply and don't count.

    Raises
    ------
    InvalidInput
        If a number is negative, or more has expired than is there.

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, section 6.1 (inventory position;
    from memory).

    Examples
    --------
    >>> stock_position(on_hand=1, orders=[OpenOrder(due=-3.0, qty=2)], protection_interval=30.0).position
    3
    """
    possible = (
        min(on_hand - expired - expiring, expired, expiring, unfilled, reserved, accepted) >= 0 <= protection_interval
    )
    check(
        possible,
        "stock must not be negative nor `expired` beyond `on_hand`, got "
        f"{on_hand}, {expired}, {expiring}, {unfilled}, {reserved}, {accepted}, {protection_interval}",
    )
    counted = [order for order in orders if order.due <= protection_interval]
    return StockPosition(
        on_hand=on_hand,
        expired=expired,
        unfilled=unfilled,
        reserved=reserved,
        on_order=sum(order.qty for order in counted),
        overdue=sum(order.qty for order in counted if order.due < 0),
        late=sum(order.qty for order in orders if order.due > protection_interval),
        expiring=expiring,
        accepted=accepted,
    )
