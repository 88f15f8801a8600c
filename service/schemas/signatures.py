"""What is signed for a turnaround, later scope and what was paid; the order of fields is that of the CSV columns."""

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from service.schemas.columns import Code, Day, Money, Text, check_money

SignedMoney = Annotated[Decimal, Meta(description="an amount of money, at most 6 decimals; negative takes one back")]
Line = Literal["planned", "until_freeze", "emergent", "discovery", "late_scope"]


class SignRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """What the holder says to the signature, if anything."""

    note: Text | None = None


class SignatureOut(Struct, kw_only=True):
    """Who signed the document of a turnaround, when, and the SHA-256 of its bytes."""

    turnaround: str
    holder: str
    signed_at: datetime
    sha256: str
    run: int
    as_of: date
    note: str | None
    notice: str | UnsetType = UNSET


class LateScopeRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """Work added or dropped after the signature."""

    tag: Code
    change: Literal["add", "drop"]
    reason: Text
    cost: Money

    def __post_init__(self) -> None:
        """Check the cost."""
        check_money(self.cost)


class LateScopeOut(Struct, kw_only=True):
    """Work added or dropped after the signature: when, by whom, why, and what it costs."""

    id: int
    turnaround: str
    recorded_at: datetime
    holder: str
    change: str
    tag: str
    reason: str
    cost: Decimal
    notice: str | UnsetType = UNSET


class ActualRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """What was really paid on a line of the budget."""

    line: Line
    amount: SignedMoney
    paid_on: Day
    note: Text | None = None

    def __post_init__(self) -> None:
        """Check the amount.

        Raises
        ------
        ValueError
            If it has more than 6 decimals or is out of reach.
        """
        check_money(abs(self.amount))


class ActualOut(Struct, kw_only=True):
    """What was really paid on a line of the budget, and who recorded it."""

    id: int
    turnaround: str
    line: str
    amount: Decimal
    paid_on: date
    note: str | None
    holder: str
    recorded_at: datetime
    notice: str | UnsetType = UNSET


class PaidLineOut(Struct, kw_only=True):
    """What was paid on a line beside what was signed; later scope moves the total by its cost."""

    line: str
    mean: Decimal
    p10: Decimal
    p50: Decimal
    p80: Decimal
    p90: Decimal
    paid: Decimal
    payments: int
    paid_less_mean: Decimal | None
    reason: str
