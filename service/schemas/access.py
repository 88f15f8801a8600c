"""Keys and the audit trail, as they are asked for and as they leave."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

Role = Literal["reader", "sheet", "bench", "storeroom", "planner", "admin"]
Holder = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=200,
        pattern=r"^[^\x00-\x1f\x7f]+$",
        description="the person or program the key belongs to",
    ),
]


class KeyRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """A key that is wanted; without `expires_at` it does not expire."""

    role: Role
    holder: Holder
    expires_at: Annotated[datetime, Meta(tz=True)] | None = None


class KeyOut(Struct, kw_only=True):
    """A key: everything but itself."""

    id: int
    role: str
    holder: str
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


class NewKeyOut(KeyOut, kw_only=True):
    """A key just made; `key` is shown in this answer and never again, an answer given twice lacks it."""

    key: str | UnsetType = UNSET


class AuditEntryOut(Struct, kw_only=True):
    """What was done, by whom, when; `subjects` are the files, records, runs or keys it was done to."""

    id: int
    at: datetime
    holder: str
    role: str
    request_id: str | None
    action: str
    subjects: Sequence[dict[str, Any]]


class AuditChangeOut(Struct, kw_only=True):
    """A row of the record before and after: the columns that differ; null where there was or is no row."""

    id: int
    file: str
    key: dict[str, Any]
    before: dict[str, Any] | None
    after: dict[str, Any] | None
