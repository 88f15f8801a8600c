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
    `found_empty`: there was no row in the record before the first part, so none need be looked for.
    """

    repeated: Container[int] | None = None
    found_empty: bool = False
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


def likenesses(file: RecordFile, rows: Sequence[Row]) -> list[tuple[str, ...]]:
    """Say what rows have in common with those they are taken for: their key, but for the number of an event.

    Parameters
    ----------
    file : RecordFile
        The file the rows stand in.
    rows : sequence of Row
        Without a missing key.

    Returns
    -------
    list of tuple of str
        Equal for rows that are one record, or events that only their number tells apart.
    """
    if file.name != "events":
        return list(zip(*(_keys([row[name] for row in rows]) for name in file.key), strict=True))
    tags, refs = _keys([row["tag"] for row in rows]), _keys([row.get("ref") or "" for row in rows])
    return [
        (ref, tag) if ref else (tag, row["done_on"], row["action"])
        for row, ref, tag in zip(rows, refs, tags, strict=True)
    ]


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
    found = likenesses(file, rows)
    if file.name == "events":
        return _identify_events(rows, found, counting or Counting())
    codes = [(place, f"{name}_key") for place, name in enumerate(file.key) if isinstance(file.column(name), Code)]
    return [Identity(key, {name: key[place] for place, name in codes}) for key in found]


def _keys(codes: Sequence[str]) -> list[str]:
    key_of = {code: code_key(code) for code in set(codes)}
    return [key_of[code] for code in codes]


def _identify_events(rows: Sequence[Row], found: Sequence[tuple[str, ...]], counting: Counting) -> list[Identity]:
    identities = []
    for row, parts in zip(rows, found, strict=True):
        number = 0 if row.get("ref") else counting.number(parts)
        # no code holds this character, so the two forms can't meet
        key = "|".join((*parts, str(number)) if number else parts)
        identities.append(Identity((key,), {"ref_key": key, "number": number}))
    return identities
