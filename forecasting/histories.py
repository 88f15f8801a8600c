"""What happened to one valve: frozen records in days, checked once; nothing is decided here."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from forecasting.arrays import check

WHOLE_VALVE = "whole_valve"


class Action(StrEnum):
    """Something done to a valve."""

    REBUILD = "rebuild"
    EXCHANGE = "exchange"
    INSPECT = "inspect"
    RECLASSIFY = "reclassify"


class Reason(StrEnum):
    """Why it was done; `UNSTATED` is a record that doesn't say."""

    FAILURE = "failure"
    CONDITION = "condition"
    PLANNED = "planned"
    UNSTATED = "unstated"


class AsFound(StrEnum):
    """State of one maintainable item when the valve was opened or looked at."""

    OK = "ok"
    WORN = "worn"
    FAILED = "failed"


@dataclass(frozen=True, kw_only=True)
class Event:
    """One event in the life of a valve.

    Parameters
    ----------
    ref : str [name]
        What the record calls it.
    action : Action [word]
        What was done.
    done : int [day number]
        The day it was done.
    found : int or None [day number]
        The day the need was found; None: the day it was done.
    done_spread, found_spread : int [days]
        Where the day isn't known: from the first to the last it may have been; `done`, `found` are the middle.
    reason : Reason [word]
        Why it was done.
    renewed : frozenset of str or None [item codes]
        Items stated as renewed; None: not stated.
    kits_renew : frozenset of str or None [item codes]
        Items that the kits used renew; None: no kit stated.
    as_found : mapping of str to AsFound [item codes]
        What was found, where stated.
    last_ok : int or None [day number]
        Last day the failing item is known to have been ok.
    class_from : str or None [class code]
        For `RECLASSIFY`: the service class until then.
    kits_used : mapping of str to int [kits]
        Kits it names and how many, superseded ones as the present one; empty: not known.
    turnaround : str [code]
        In which it was done; empty: in none.

    Raises
    ------
    InvalidInput
        If it was found after it was done, or a spread is negative.
    """

    ref: str
    action: Action
    done: int
    found: int | None = None
    done_spread: int = 0
    found_spread: int = 0
    reason: Reason = Reason.UNSTATED
    renewed: frozenset[str] | None = None
    kits_renew: frozenset[str] | None = None
    as_found: Mapping[str, AsFound] = field(default_factory=lambda: MappingProxyType({}))
    last_ok: int | None = None
    class_from: str | None = None
    kits_used: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    turnaround: str = ""

    def __post_init__(self) -> None:
        """Refuse what can't be."""
        found = self.found_day
        check(found <= self.done, f"`found` must not be after `done`, got {found} > {self.done} in {self.ref}")
        check(min(self.done_spread, self.found_spread) >= 0, f"a spread must not be negative, got one in {self.ref}")

    @property
    def found_day(self) -> int:
        """The day the need was found."""
        return self.done if self.found is None else self.found

    @property
    def found_within(self) -> int:
        """Days from the first to the last on which the need may have been found; 0 where the day is known."""
        return self.done_spread if self.found is None else self.found_spread

    @property
    def found_first(self) -> int:
        """The first day on which the need may have been found."""
        return self.found_day - self.found_within // 2


@dataclass(frozen=True, kw_only=True)
class History:
    """Everything the record holds of one valve.

    Parameters
    ----------
    valve : str [name]
        The tag.
    service_class : str [class code]
        The present service class.
    items : tuple of str [item codes]
        Maintainable items of its design.
    records_begin : int [day number]
        From this day the events are complete.
    installed : int or None [day number]
        Day of installation; None: before the records, day not known.
    removed : int or None [day number]
        Day of removal; None: still there.
    last_renewed : mapping of str to int [day number]
        Stated last renewal by item, where there is one.
    events : tuple of Event [events]
        In any order.

    Raises
    ------
    InvalidInput
        If it has no items.
    """

    valve: str
    service_class: str
    items: tuple[str, ...]
    records_begin: int
    installed: int | None = None
    removed: int | None = None
    last_renewed: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    events: tuple[Event, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a valve without items."""
        check(bool(self.items), f"`items` must name at least one maintainable item, got none for {self.valve}")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something in the record that can't be true or can't be used, with the treatment it got.

    Parameters
    ----------
    kind : str [word]
        One of the kinds of `lives.py`.
    valve : str [name]
        The tag it is about.
    ref : str [name]
        The event it is about; empty: the valve itself.
    detail : str [text]
        What was found.
    treatment : str [text]
        What was done about it.
    lives_lost : int [lives]
        Lives that the treatment leaves out of the fit.
    other_ref : str [name]
        The event it is compared with; empty: none.
    candidates : tuple of (str, float) [names and 1]
        Tags that may be meant, with how much they look like it (0 to 1), the likest first.
    """

    kind: str
    valve: str
    ref: str
    detail: str
    treatment: str
    lives_lost: int = 0
    other_ref: str = ""
    candidates: tuple[tuple[str, float], ...] = ()
