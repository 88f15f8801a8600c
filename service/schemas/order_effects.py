"""What changes if an order list is accepted, as it leaves; the order of the fields is that of the CSV columns."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct


class OrderEffectOut(Struct, kw_only=True):
    """What ordering does, of all kits together (`of` is `all`, the first row) or of one line.

    `shortage` is what to expect in the protection intervals: kits short, each by its weight; `run_out` is the chance
    that more is asked for than there is, of all kits the expected number of them. What levels achieve in the long run
    is compared only where a present reorder point is known.
    """

    of: Literal["all", "line"]
    storeroom: str | None
    kit: str | None
    lines: int
    order_quantity: int
    cost: Decimal
    lines_without_price: int
    shortage_now: float | None
    shortage_if_accepted: float | None
    run_out_now: float | None
    run_out_if_accepted: float | None
    short_per_year_at_present_levels: float | None
    short_per_year_at_proposed_levels: float | None
    cost_per_year_at_present_levels: float | None
    cost_per_year_at_proposed_levels: float | None
    reason: str | None
