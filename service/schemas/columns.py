"""What the cells of the record may hold; the description of a type is what an error says was expected."""

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import Meta

from models.partial_days import first_day

# Printable, without | and :, which join lists in a cell, and without blanks at either end.
_CODE_BODY = r"(?! )[^|:\x00-\x1f\x7f-\xa0\u200b-\u200f\u2028-\u202f\u2060-\u206f\ufeff]{1,60}(?<! )"
_CODE = rf"^{_CODE_BODY}$(?!\n)"
_CODE_OR_NOTHING = rf"^(?:{_CODE_BODY})?$(?!\n)"
# Something besides blanks, for an empty cell is nothing; no NUL, which one of the databases refuses.
TEXT = r"^[^\x00]*[^\s\x00][^\x00]*$"
LARGEST_COUNT = 1_000_000_000
LARGEST_DAYS = 100_000
LARGEST_MONEY = 1_000_000_000_000
MONEY_DECIMALS = 6

Code = Annotated[
    str,
    Meta(pattern=_CODE, max_length=60, description="a code of 1 to 60 printable characters without | or :"),
]
Name = Annotated[str, Meta(pattern=TEXT, max_length=200, description="text of at most 200 characters")]
Bin = Annotated[str, Meta(pattern=TEXT, max_length=60, description="text of at most 60 characters")]
Text = Annotated[str, Meta(pattern=TEXT, max_length=4000, description="text of at most 4000 characters")]
Count = Annotated[int, Meta(ge=0, le=LARGEST_COUNT, description="a whole number, 0 or more")]
Quantity = Annotated[int, Meta(ge=1, le=LARGEST_COUNT, description="a whole number, 1 or more")]
Days = Annotated[int, Meta(ge=0, le=LARGEST_DAYS, description="a whole number of days, 0 or more")]
Interval = Annotated[int, Meta(ge=1, le=LARGEST_DAYS, description="a whole number of days, 1 or more")]
DaysSpread = Annotated[float, Meta(ge=0, le=LARGEST_DAYS, description="a number of days, 0 or more")]
Amount = Annotated[float, Meta(ge=0, le=1e12, description="a number, 0 or more")]
Share = Annotated[float, Meta(gt=0, lt=1, description="a number between 0 and 1, both excluded")]
Money = Annotated[Decimal, Meta(description="an amount of money, 0 or more, at most 6 decimals")]
Day = Annotated[date, Meta(description="a date like 2017-04-30")]
PartialDay = Annotated[
    str,
    Meta(
        pattern=r"^\d{4}(?:-\d{2}(?:-\d{2})?)?$(?!\n)",
        description="a date like 2017-04-30, 2017-04 or 2017",
        extra={"partial_day": True},
    ),
]
Issued = Annotated[
    int,
    Meta(ge=-LARGEST_COUNT, le=LARGEST_COUNT, description="a whole number other than 0, negative for a return"),
]
StorageLife = Annotated[
    Days | Literal["unlimited"], Meta(description="a whole number of days, 0 or more, or the word unlimited")
]
Flag = Annotated[bool, Meta(description="true or false")]
Codes = Annotated[list[Code], Meta(description="codes joined by |, each once")]

Policy = Annotated[
    Literal["corrective", "predetermined", "opportunistic"],
    Meta(description="corrective, predetermined or opportunistic"),
]
Consequence = Annotated[Literal["stops", "curtails", "tolerable"], Meta(description="stops, curtails or tolerable")]
Action = Annotated[
    Literal["rebuild", "exchange", "inspect", "reclassify"],
    Meta(description="rebuild, exchange, inspect or reclassify"),
]
Reason = Annotated[Literal["failure", "condition", "planned"], Meta(description="failure, condition or planned")]
StockRule = Annotated[
    Literal["cycle_service_level", "fill_rate", "least_cost"],
    Meta(description="cycle_service_level, fill_rate or least_cost"),
]
Decision = Annotated[Literal["must_open", "must_not_open"], Meta(description="must_open or must_not_open")]
AsFound = Annotated[
    dict[Code, Literal["ok", "worn", "failed"]],
    Meta(description="items and how each was found (ok, worn, failed), like trim:failed|packing:ok"),
]
KitsUsed = Annotated[dict[Code, Quantity], Meta(description="kits and how many of each, like K-100:1|K-200:2")]
LeakageClass = Annotated[
    str, Meta(pattern="^(I|II|III|IV|V|VI)$", description="I, II, III, IV, V or VI: how tight the seat must be")
]
LastRenewals = Annotated[
    dict[Annotated[str, Meta(pattern=_CODE_OR_NOTHING)], PartialDay],
    Meta(description="a date, or items and dates like packing:2015-04-01|trim:2012-06"),
]


def check_money(amount: Decimal | None) -> None:
    """Refuse what `Money` does not allow; the decoder itself can't bound a decimal.

    Parameters
    ----------
    amount : Decimal or None [currency of the database]
        None is an amount that is not known.

    Raises
    ------
    ValueError
        If it is negative, not a number, too large, or finer than 6 decimals.
    """
    if amount is None:
        return
    exponent = amount.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < -MONEY_DECIMALS or not 0 <= amount <= LARGEST_MONEY:
        raise ValueError(f"Expected an amount of money, 0 or more, at most 6 decimals, got {amount}")


def check_partial_days(*days: str | None) -> None:
    """Refuse a partial day that no calendar has; its pattern only knows the shape.

    Parameters
    ----------
    *days : str or None
        None is a day that is not known.

    Raises
    ------
    ValueError
        If one of them doesn't exist.
    """
    for day in days:
        try:
            first_day(day or "2000")
        except ValueError as error:
            raise ValueError(f"Expected a day, month or year of the calendar, got {day}") from error


def check_issued(qty: int) -> None:
    """Refuse an issue of nothing, which bounds alone can't.

    Parameters
    ----------
    qty : int [kits]
        Negative for a return.

    Raises
    ------
    ValueError
        If it is 0.
    """
    if qty == 0:
        raise ValueError("Expected a whole number other than 0, got 0")
