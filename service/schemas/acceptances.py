"""What a named holder takes of a proposal, and how that leaves; the order of the fields is that of the CSV columns."""

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated

from msgspec import UNSET, Meta, Struct, UnsetType

from service.schemas.columns import LARGEST_COUNT, Code, Count, Text

Level = Annotated[
    int,
    Meta(ge=-1, le=LARGEST_COUNT, description="a whole number, 0 or more; -1 orders only what is asked for already"),
]


class AcceptRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """What is taken: a reorder point from now on, a number of kits that will be ordered now, or both.

    What is left out isn't decided. A quantity of 0 says that nothing is ordered, and that what was accepted before and
    isn't on an order yet won't be.
    """

    reason: Text
    reorder_point: Level | None = None
    quantity: Count | None = None

    def __post_init__(self) -> None:
        """Refuse a request that takes nothing.

        Raises
        ------
        ValueError
            If neither a reorder point nor a quantity is taken.
        """
        if self.reorder_point is None and self.quantity is None:
            raise ValueError("Expected reorder_point, quantity, or both: what is taken of the proposal")


class AcceptKitRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """How many kits will be ordered for a turnaround; 0: none, and what was accepted for it before won't be.

    The order goes to `storeroom`, one of those that serve its valves; left out: the first of them.
    """

    quantity: Count
    reason: Text
    storeroom: Code | None = None


class AcceptanceOut(Struct, kw_only=True):
    """What was taken, by whom, when and why, beside what was proposed; `cost` is that of the quantity taken.

    With a `turnaround` it was taken of what that one's plan wants ordered, which has no reorder point and no position.
    """

    id: int
    storeroom: str
    kit: str
    reorder_point: int | None
    quantity: int | None
    reason: str
    holder: str
    accepted_at: datetime
    proposed_reorder_point: int | None
    proposed_quantity: int
    position: int | None
    present_reorder_point: int | None
    unit_cost: Decimal | None
    cost: Decimal | None
    run: int
    as_of: date
    turnaround: str | None
    notice: str | UnsetType = UNSET
