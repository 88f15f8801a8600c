"""Days as people write them: turned to ISO 8601 where their order is declared, never guessed."""

import re
from typing import Literal

DateOrder = Literal["iso", "dmy", "mdy"]

_DAY = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})", re.ASCII)
_MONTH = re.compile(r"(\d{1,2})[./-](\d{4})", re.ASCII)
_MIDNIGHT = re.compile(r"[ T]00:00(?::00(?:\.0+)?)?$", re.ASCII)
ORDER_NAME = {"dmy": "day, month, year", "mdy": "month, day, year"}


def iso_days(cell: str, *, order: DateOrder) -> str:
    """Write the days of a cell as ISO 8601; a time of midnight, which spreadsheets add, is dropped.

    Parameters
    ----------
    cell : str
        A day, or codes and days like `packing:1.4.2015|trim:2012`.
    order : `iso`, `dmy` or `mdy`
        As declared; `iso` changes no day.

    Returns
    -------
    str
        What is no day of that order stays as it is.

    Examples
    --------
    >>> iso_days("3/4/2017", order="dmy"), iso_days("3/4/2017", order="mdy"), iso_days("3/4/2017", order="iso")
    ('2017-04-03', '2017-03-04', '3/4/2017')
    >>> iso_days("packing:04.2015|trim:2012", order="dmy")
    'packing:2015-04|trim:2012'
    """
    return "|".join(_iso_part(part, order) for part in cell.split("|"))


def is_local(cell: str) -> bool:
    """Say whether a cell holds a day whose order nobody can tell from the day itself.

    Parameters
    ----------
    cell : str
        As it stands in the file.

    Returns
    -------
    bool
        True for `3/4/2017`, `31.12.2020`, `04.2015`.
    """
    days = (_split(part)[2] for part in cell.split("|"))
    return any(_DAY.fullmatch(day) or _MONTH.fullmatch(day) for day in days)


def _split(part: str) -> tuple[str, str, str]:
    code, colon, day = _MIDNIGHT.sub("", part.strip()).rpartition(":")
    return code, colon, day.strip()


def _iso_part(part: str, order: DateOrder) -> str:
    code, colon, day = _split(part)
    return f"{code}{colon}{day if order == 'iso' else _iso(day, order)}"


def _iso(day: str, order: DateOrder) -> str:
    if whole := _DAY.fullmatch(day):
        first, second, year = int(whole[1]), int(whole[3]), whole[4]
        in_month, month = (first, second) if order == "dmy" else (second, first)
        return f"{year}-{month:02}-{in_month:02}"
    if partial := _MONTH.fullmatch(day):
        return f"{partial[2]}-{int(partial[1]):02}"
    return day
