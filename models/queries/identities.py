"""What a row of a file is known by: rows in, keys out that are equal where the rows are the same record."""

from collections import Counter
from collections.abc import Container, Sequence
from dataclasses import dataclass, field

from models.base import code_key
from models.queries.files import Code, RecordFile, Row


@dataclass(frozen=True)
class Identity:
    """`key` compares rows; `stored` are columns of the table that only hold the key."""

    key: tuple[str, ...]
    stored: Row = field(default_factory=dict)


@dataclass
class Counting:
    """How many events without ref of each likeness there were so far, over all parts of a file.

    `repeated` holds the hashes of the likenesses that occur more than once; None where that isn't known.
    """

    repeated: Container[int] | None = None
    counted: Counter[tuple[str, ...]] = field(default_factory=Counter)

    def number(self, parts: tuple[str, ...]) -> int:
        """Count one more of this likeness."""
        if self.repeated is not None and hash(parts) not in self.repeated:
            return 1
        self.counted[parts] += 1
        return self.counted[parts]


def missing_key(file: RecordFile, row: Row) -> list[str]:
    """Name the columns without which nobody can say which record a row is.

    Parameters
    ----------
    file : RecordFile
        The file the row stands in.
    row : Row
        Absent and empty are the same here.

    Returns
    -------
    list of str
        Empty if the row can be identified.
    """
    needed = file.key if file.name != "events" else ("tag",) if row.get("ref") else ("tag", "done_on", "action")
    return [name for name in needed if not row.get(name)]


def likeness(file: RecordFile, row: Row) -> tuple[str, ...]:
    """Say what a row has in common with those it is taken for: its key, but for the number of an event.

    Parameters
    ----------
    file : RecordFile
        The file the row stands in.
    row : Row
        Without a missing key.

    Returns
    -------
    tuple of str
        Equal for rows that are one record, or events that only their number tells apart.
    """
    if file.name != "events":
        return tuple(code_key(row[name]) for name in file.key)
    tag = code_key(row["tag"])
    return (code_key(row["ref"]), tag) if row.get("ref") else (tag, row["done_on"], row["action"])


def identify(file: RecordFile, rows: Sequence[Row], counting: Counting | None = None) -> list[Identity]:
    """Say what each row of a file is known by.

    Parameters
    ----------
    file : RecordFile
        The file they stand in.
    rows : sequence of Row
        In the order of the file, none with a missing key; events without ref are counted in that order.
    counting : Counting, optional
        Of the parts of the file before these rows.

    Returns
    -------
    list of Identity
        One for each row, in the same order.
    """
    if file.name == "events":
        return _identify_events(file, rows, counting or Counting())
    return [_identify(file, row) for row in rows]


def _identify(file: RecordFile, row: Row) -> Identity:
    key = likeness(file, row)
    own = {f"{name}_key": of_name for name, of_name in zip(file.key, key, strict=True) if _is_code(file, name)}
    return Identity(key, own)


def _is_code(file: RecordFile, name: str) -> bool:
    return isinstance(file.column(name), Code)


def _identify_events(file: RecordFile, rows: Sequence[Row], counting: Counting) -> list[Identity]:
    identities = []
    for row in rows:
        parts, number = likeness(file, row), 0
        if not row.get("ref"):
            number = counting.number(parts)
            parts = (*parts, str(number))
        key = "|".join(parts)  # no code holds this character, so the two forms can't meet
        identities.append(Identity((key,), {"ref_key": key, "number": number}))
    return identities
