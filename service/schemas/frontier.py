"""Cost of stock against shortage, as it leaves."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct


class FrontierPointOut(Struct, kw_only=True):
    """What a stock costs and how short it is; a step of the frontier adds a pack of one kit to the one before.

    `shortage` is what to expect in the protection intervals: kits short, each by its weight.
    """

    point: Literal["frontier", "present_stock", "reorder_points"]
    step: int | None
    storeroom: str | None
    kit: str | None
    stock_level: int | None
    unit_cost: Decimal | None
    cost: Decimal
    shortage: float


class FrontierLevelOut(Struct, kw_only=True):
    """How many of a kit a budget keeps in a storeroom, beside what is there and what the reorder point keeps."""

    storeroom: str
    kit: str
    stock_level: int
    present_level: int
    reorder_point_level: int
    unit_cost: Decimal
    cost: Decimal
    shortage: float
    weight: float
