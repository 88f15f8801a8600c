"""What all records on the wire share."""

from msgspec import Struct


class Record(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What all records share: immutable, named fields only, nothing unknown."""
