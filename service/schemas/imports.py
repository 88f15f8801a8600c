"""What an import did, as it leaves."""

from collections.abc import Mapping, Sequence

from msgspec import UNSET, Struct, UnsetType


class ImportedFileOut(Struct, kw_only=True):
    """How many rows of a file were new, changed the record, or were in it already."""

    file: str
    created: int
    changed: int
    unchanged: int


class ImportOut(Struct, kw_only=True):
    """What an import did, or would do; and the codes, by file, that were named but are not described yet."""

    dry_run: bool
    files: Sequence[ImportedFileOut]
    named_but_not_described: Mapping[str, Sequence[str]]
    notice: str | UnsetType = UNSET
