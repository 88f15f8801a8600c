"""What the bench finds by a part of a tag, as it leaves; the order of the fields is that of the CSV columns."""

from collections.abc import Mapping, Sequence
from datetime import date

from msgspec import Struct, field


class LookUpOut(Struct, kw_only=True):
    """A kit that a valve takes: what is in it, what takes its place, where it lies, which lots may be fitted.

    A valve whose kits nobody described has one row without a kit. Lots go by storeroom and lot, as `MAIN/L-1`; one
    that is in none of `expires_on` has no known last day: look at the cure date. One in `expired_lots` isn't fitted.
    """

    tag: str
    design: str | None
    service_class: str | None
    area: str | None
    kit: str | None = None
    name: str | None = None
    maintainable_items: Sequence[str] = ()
    qty: int | None = None
    on_opening: bool | None = None
    superseded_by: str | None = None
    part_qty: Mapping[str, int] = field(default_factory=dict)
    stock_on_hand: Mapping[str, int] = field(default_factory=dict)
    lot_qty: Mapping[str, int] = field(default_factory=dict)
    cured_on: Mapping[str, date] = field(default_factory=dict)
    expires_on: Mapping[str, date] = field(default_factory=dict)
    expired_lots: Sequence[str] = ()
