"""What a row of a file is known by: rows in, keys out that are equal where the rows are the same record."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from models.base import code_key
from models.queries.files import Code, RecordFile, Row


@dataclass(frozen=True)
class Identity:
    """`key` compares rows; `stored` are columns of the table that only hold the key."""

    key: tuple[str, ...]
    stored: Row = field(default_factory=dict)


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


def identify(file: RecordFile, rows: Sequence[Row]) -> list[Identity]:
    """Say what each row of a file is known by.

    Parameters
    ----------
    file : RecordFile
        The file they stand in.
    rows : sequence of Row
        In the order of the file, none with a missing key; events without ref are counted in that order.

    Returns
    -------
    list of Identity
        One for each row, in the same order.
    """
    return _identify_events(rows) if file.name == "events" else [_identify(file, row) for row in rows]


def _identify(file: RecordFile, row: Row) -> Identity:
    key = {name: code_key(row[name]) for name in file.key}
    stored = {f"{name}_key": key[name] for name in file.key if isinstance(file.column(name), Code)}
    return Identity(tuple(key.values()), stored)


def _identify_events(rows: Sequence[Row]) -> list[Identity]:
    counted: Counter[tuple[str, ...]] = Counter()
    identities = []
    for row in rows:
        parts: tuple[str, ...]
        tag, number = code_key(row["tag"]), 0
        if row.get("ref"):
            parts = (code_key(row["ref"]), tag)
        else:
            parts = (tag, row["done_on"], row["action"])
            counted[parts] += 1
            number = counted[parts]
            parts = (*parts, str(number))
        key = "|".join(parts)  # no code holds this character, so the two forms can't meet
        identities.append(Identity((key,), {"ref_key": key, "number": number}))
    return identities
