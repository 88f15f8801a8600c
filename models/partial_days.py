"""Days known to the day, the month or the year: `2017-04-30`, `2017-04` or `2017`, kept as they were written.

As text they are stored without loss, give the same file back, and sort by what is known of them.
"""

from calendar import monthrange
from datetime import date

from sqlalchemy import CheckConstraint
from sqlalchemy.types import TypeEngine

from models.base import code_key_type

PARTIAL_DAY_LENGTH = len("2017-04-30")
_PARTS = {len("2017"): 1, len("2017-04"): 2, PARTIAL_DAY_LENGTH: 3}


def partial_day_type() -> TypeEngine[str]:
    """Text that sorts by code point on every database.

    Returns
    -------
    TypeEngine
        A column type.
    """
    return code_key_type(PARTIAL_DAY_LENGTH)


def first_day(text: str) -> date:
    """Return the first day that a partial day may mean.

    Parameters
    ----------
    text : str
        `2017-04-30`, `2017-04` or `2017`.

    Returns
    -------
    date
        The day itself where it is known.

    Raises
    ------
    ValueError
        If it is none of the three, or there is no such day.

    Examples
    --------
    >>> first_day("2017-04"), first_day("2017")
    (datetime.date(2017, 4, 1), datetime.date(2017, 1, 1))
    """
    parts = text.split("-")
    if _PARTS.get(len(text)) != len(parts) or not (text.isascii() and all(part.isdigit() for part in parts)):
        raise ValueError(f"{text!r} is no day, month or year")
    return date.fromisoformat("-".join([*parts, "01", "01"][:3]))


def last_day(text: str) -> date:
    """Return the last day that a partial day may mean.

    Parameters
    ----------
    text : str
        `2017-04-30`, `2017-04` or `2017`.

    Returns
    -------
    date
        The day itself where it is known.

    Raises
    ------
    ValueError
        If it is none of the three, or there is no such day.

    Examples
    --------
    >>> last_day("2016-02"), last_day("2017")
    (datetime.date(2016, 2, 29), datetime.date(2017, 12, 31))
    """  # noqa: DOC502 (raised by first_day)
    first = first_day(text)
    if len(text) == PARTIAL_DAY_LENGTH:
        return first
    month = 12 if len(text) == len("2017") else first.month
    return first.replace(month=month, day=monthrange(first.year, month)[1])


def in_order(earlier: str, later: str) -> bool:
    """Say whether one partial day may lie before another, or be the same: compared as far as both are known.

    Parameters
    ----------
    earlier, later : str
        Partial days.

    Returns
    -------
    bool
        False if the first surely lies after the second.

    Examples
    --------
    >>> in_order("2017-04-30", "2017-04"), in_order("2017-05", "2017-04-30")
    (True, False)
    """
    known = min(len(earlier), len(later))
    return earlier[:known] <= later[:known]


def valid_partial_day(column: str) -> CheckConstraint:
    """Refuse what has not the shape of a day, a month or a year.

    Parameters
    ----------
    column : str
        The column that holds the text.

    Returns
    -------
    CheckConstraint
        Satisfied by NULL too.
    """
    return CheckConstraint(
        f"length({column}) IN (4, 7, 10) AND trim(substr({column}, 1, 4), '0123456789') = '' "
        f"AND trim(replace(substr({column}, 5), '-', ''), '0123456789') = '' "
        f"AND substr({column}, 5, 1) IN ('', '-') AND substr({column}, 8, 1) IN ('', '-')",
        name=f"{column}_valid",
    )


def partly_in_order(earlier: str, later: str, *, name: str) -> CheckConstraint:
    """Refuse a partial day that surely lies after another.

    Parameters
    ----------
    earlier, later : str
        SQL of each.
    name : str
        Of the rule.

    Returns
    -------
    CheckConstraint
        Satisfied where either is NULL.
    """
    return CheckConstraint(
        f"substr({earlier}, 1, length({later})) <= substr({later}, 1, length({earlier}))",
        name=name,
    )
