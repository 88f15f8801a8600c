"""What of a stock is there on a day, and what one need leaves of it for those that come later."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from forecasting.arrays import check

__all__ = ["Supply", "left_after", "there_on"]


@dataclass(frozen=True, kw_only=True)
class Supply:
    """Kits that arrive and expire together.

    Parameters
    ----------
    arrives : float [days from now]
        0 or negative: there already, or overdue and expected any day.
    expires : float [days from now]
        Usable before. Infinite: doesn't expire, or nobody knows when.
    qty : int [kits]
        How many.

    Raises
    ------
    InvalidInput
        If `qty` is negative, or a day is no number.
    """

    qty: int
    arrives: float = 0.0
    expires: float = float("inf")

    def __post_init__(self) -> None:
        """Refuse what is no supply."""
        possible = self.qty >= 0 and self.arrives == self.arrives and self.expires == self.expires
        check(possible, f"a supply needs a `qty` of 0 or more, and days that are numbers, got {self}")

    def usable_on(self, day: float) -> bool:
        """Whether it has arrived by a day and not expired on it."""
        return self.arrives <= day < self.expires


def there_on(supplies: Sequence[Supply], *, day: float) -> int:
    """Count what is usable on a day.

    Parameters
    ----------
    supplies : sequence of Supply [kits]
        On the shelf and on order.
    day : float [days from now]
        Of the need.

    Returns
    -------
    int [kits]
        Arrived by then and not expired.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> there_on([Supply(qty=2, expires=30.0), Supply(qty=3, arrives=40.0)], day=50.0)
    3
    """
    return sum(one.qty for one in supplies if one.usable_on(day))


def left_after(supplies: Sequence[Supply], *, qty: int, day: float) -> tuple[Supply, ...]:
    """Take kits on a day, first-expiring first and then first-arriving first, and say what stays for later needs.

    Parameters
    ----------
    supplies : sequence of Supply [kits]
        On the shelf and on order.
    qty : int [kits]
        Wanted; no more is taken than there is.
    day : float [days from now]
        Of the need; what arrives later is left alone.

    Returns
    -------
    tuple of Supply [kits]
        In the same order.

    References
    ----------
    Our own rule.

    Examples
    --------
    >>> left = left_after([Supply(qty=3), Supply(qty=2, expires=60.0)], qty=3, day=50.0)
    >>> [one.qty for one in left], there_on(left, day=70.0)
    ([2, 0], 2)
    """
    left, wanted = list(supplies), qty
    usable = [place for place, one in enumerate(supplies) if one.usable_on(day)]
    for place in sorted(usable, key=lambda place: (supplies[place].expires, supplies[place].arrives)):
        taken = min(wanted, left[place].qty)
        left[place] = replace(left[place], qty=left[place].qty - taken)
        wanted -= taken
    return tuple(left)
