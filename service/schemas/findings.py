"""Data findings, as they leave and as they are closed; the order of the fields is the order of the CSV columns."""

from datetime import datetime
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from service.schemas.columns import Code, Text
from service.schemas.results import Details


class FindingOut(Struct, kw_only=True):
    """What in the record can't be true or can't be used, what was done about it, what that costs, who closed it.

    `scale_change` and `kits_per_year_change` tell what would change if the event weren't read: one Newton step, no new
    fit. Null is a number that isn't known; `effect_reason` says why. `decision` is null while it is open.
    """

    kind: str
    file: str | None
    record_key: str | None
    detail: str
    treatment: str | None
    effect: str | None
    id: int
    tag: str | None
    lives_lost: int | None
    scale_change: float | None
    kits_per_year_change: float | None
    effect_reason: str | None
    decision: str | None
    reason: str | None
    closed_by: str | None
    closed_at: datetime | None
    details: Details
    notice: str | UnsetType = UNSET


class ClosingRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """How a finding is closed; `tag` is the valve that a row without a tag, or a badly written tag, belongs to."""

    decision: Annotated[Literal["leave", "merge", "void"], Meta(description="leave, merge or void")]
    reason: Text
    tag: Code | None = None


class ReopeningRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """Why a finding is open again."""

    reason: Text


class VoidRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """Why an event isn't to be read by any forecast."""

    reason: Text


class VoidOut(Struct, kw_only=True):
    """An event that no forecast reads; it stays in the record."""

    ref: str
    tag: str
    voided_at: datetime
    voided_by: str
    void_reason: str
