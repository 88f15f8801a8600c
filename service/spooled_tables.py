"""A table of the record read once and kept on disk in parts, so that checking and storing it need little memory."""

import pickle
import sys
import tempfile
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Any, BinaryIO, Literal, cast

import numpy as np

from models.queries.files import FILES
from models.queries.identities import likenesses, missing_key
from service.csv_tables import ParsedTable, parse_parts
from service.local_dates import DateOrder
from service.table_lines import RowError

BLOCK = 1024 * 1024
SPOOL_MEMORY = 4 * 1024 * 1024
ERRORS_KEPT = 10_000
NO_LIMIT = sys.maxsize
Step = Literal["reading", "checking", "storing"]
Watch = Callable[[Step, int], None]
"""Is told how many more rows a step of an import has done."""


def unwatched(step: Step, rows: int) -> None:
    """Take no notice.

    Parameters
    ----------
    step : `reading`, `checking` or `storing`
        Which one.
    rows : int [rows]
        That it did.
    """


class TooManyRows(Exception):
    """The files hold more rows than are taken in one import; the message names the limit."""


@dataclass
class ErrorList:
    """The first errors of an import, and how many there are in all."""

    kept: list[RowError] = field(default_factory=list)
    count: int = 0

    def add(self, errors: list[RowError]) -> None:
        """Note some more."""
        self.count += len(errors)
        self.kept += errors[: max(0, ERRORS_KEPT - len(self.kept))]


@dataclass(frozen=True, kw_only=True)
class SpooledTable:
    """A file as read; `parts` may be read any number of times, one after the other.

    `source` is what its sender called it, `digest` the SHA-256 of its bytes, `repeated` the hashes
    of keys that occur more than once in it.
    """

    file: str
    source: str
    digest: str
    has_errors: bool
    row_count: int
    repeated: frozenset[int]
    spool: BinaryIO

    def parts(self) -> Iterator[ParsedTable]:
        """Read it from the beginning.

        Yields
        ------
        ParsedTable
            In the order of its lines.
        """
        self.spool.seek(0)
        while True:
            try:
                yield _unpacked(pickle.load(self.spool))
            except EOFError:
                return


@contextmanager
def spooled(
    file: str,
    stream: BinaryIO,
    *,
    source: str,
    dates: DateOrder,
    most_rows: int = NO_LIMIT,
    watch: Watch = unwatched,
) -> Iterator[SpooledTable]:
    """Read a table into a file of its own.

    Parameters
    ----------
    file : str
        Its name in RECORDS.
    stream : binary file
        As for `parse_parts`.
    source : str
        What its sender called it.
    dates : `iso`, `dmy` or `mdy`
        As declared.
    most_rows : int [rows]
        It isn't read further than that.
    watch : Watch
        Is told of each part read.

    Yields
    ------
    SpooledTable
        Gone on leaving.

    Raises
    ------
    TooManyRows
        If there are more.
    """
    keys, wrong, rows, digest = array("q"), False, 0, _digest(stream)
    with tempfile.SpooledTemporaryFile(SPOOL_MEMORY) as spool:
        for part in parse_parts(file, stream, source=source, dates=dates):
            keyed = [row for row in part.rows if not missing_key(FILES[file], row)]
            keys.extend(map(hash, likenesses(FILES[file], keyed)))
            wrong, rows = wrong or bool(part.errors), rows + len(part.rows)
            if rows > most_rows:
                raise TooManyRows(source)
            pickle.dump(_packed(part), spool, pickle.HIGHEST_PROTOCOL)
            watch("reading", len(part.rows))
        yield SpooledTable(
            file=file,
            source=source,
            digest=digest,
            has_errors=wrong,
            row_count=rows,
            repeated=_repeated(keys),
            spool=cast("BinaryIO", spool),
        )


def _digest(stream: BinaryIO) -> str:
    digest = sha256()
    while block := stream.read(BLOCK):
        digest.update(block)
    stream.seek(0)
    return digest.hexdigest()


@dataclass(frozen=True)
class _Packed:
    """A part without its rows, and these column by column: far quicker to write and to read."""

    part: ParsedTable
    columns: dict[str, list[Any]]


def _packed(part: ParsedTable) -> _Packed:
    names = part.rows[0] if part.rows else ()
    return _Packed(replace(part, rows=[]), {name: [row[name] for row in part.rows] for name in names})


def _unpacked(packed: _Packed) -> ParsedTable:
    names = list(packed.columns)
    rows = [dict(zip(names, values, strict=True)) for values in zip(*packed.columns.values(), strict=True)]
    return replace(packed.part, rows=rows)


def _repeated(keys: "array[int]") -> frozenset[int]:
    """Find what occurs twice: sorted as plain numbers, as a set of all would need far more memory."""
    ordered = np.sort(np.frombuffer(keys, dtype=np.int64))
    return frozenset(ordered[1:][ordered[1:] == ordered[:-1]].tolist())
