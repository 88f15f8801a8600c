"""What the shelves and the events say of each other, as it leaves."""

from datetime import date
from typing import Literal

from msgspec import Struct


class IssuesExplainedOut(Struct, kw_only=True):
    """How much of a kit left the shelves in a year, and how much of that the events explain; returns are netted."""

    kit: str
    year: int
    issued_qty: int
    event_qty: int
    explained_qty: int | None
    unexplained_qty: int | None
    explained_share: float | None
    reason: str | None


class SpareValveOut(Struct, kw_only=True):
    """A valve that an exchange took out and that isn't fitted again."""

    design: str | None
    serial: str | None
    removed_from: str
    removed_on: str
    state: Literal["rebuilt", "waiting", "not known"]
    kits_taken_on: date | None
    note: str | None
