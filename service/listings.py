"""A list that can be read part by part, whatever it is a list of."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import Page

Row = TypeVar("Row", bound=Struct)
PART_ROWS = 1000


class Stored(Protocol):
    """A stored row with an id to go on from."""

    @property
    def id(self) -> int:
        """What orders the list."""


StoredRow = TypeVar("StoredRow", bound=Stored)


@dataclass(frozen=True, kw_only=True)
class Part(Generic[Row]):
    """Rows of a list, and the cursor of the next part if there is one."""

    rows: Sequence[Row]
    next_cursor: int | None


@dataclass(frozen=True, kw_only=True)
class Listing(Generic[Row]):
    """A list: what its rows look like, how to read them, and what is said above them.

    Parameters
    ----------
    shape : type
        A row on its way out.
    read : callable
        Takes a cursor (0 to begin) and a number of rows, gives that part.
    top : Page
        What the JSON list carries beside its rows.
    """

    shape: type[Row]
    read: Callable[[int, int], Part[Row]]
    top: Page[Row]

    def rows(self) -> Iterator[Row]:
        """Read the whole list, part by part.

        Yields
        ------
        Struct
            One row after the other.
        """
        cursor: int | None = 0
        while cursor is not None:
            part = self.read(cursor, PART_ROWS)
            yield from part.rows
            cursor = part.next_cursor


def cut(stored: Sequence[StoredRow], *, limit: int, shape: Callable[[StoredRow], Row]) -> Part[Row]:
    """Cut what was read, one row more than was asked for, to a part that knows whether there is another.

    Parameters
    ----------
    stored : sequence of stored rows
        At most limit + 1.
    limit : int [rows]
        How many were asked for.
    shape : callable
        Shapes a stored row for the way out.

    Returns
    -------
    Part
        At most `limit` rows.
    """
    kept = stored[:limit]
    return Part(rows=[shape(row) for row in kept], next_cursor=kept[-1].id if len(stored) > limit else None)


def listing_of(shape: type[Row], rows: Sequence[Row], *, notice: str | UnsetType = UNSET) -> Listing[Row]:
    """Make a list of rows that are all there already; its cursors are numbers of rows.

    Parameters
    ----------
    shape : type
        A row on its way out.
    rows : sequence of Struct
        All of them.
    notice : str or UNSET
        What is said above them.

    Returns
    -------
    Listing
        The list.
    """

    def read(after: int, limit: int) -> Part[Row]:
        end = after + limit
        return Part(rows=rows[after:end], next_cursor=end if end < len(rows) else None)

    return Listing(shape=shape, read=read, top=Page[Row](value=(), notice=notice))
