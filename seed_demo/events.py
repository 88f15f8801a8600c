"""One thing done to a valve, with everything that was true of it."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, kw_only=True)
class Event:
    """A row of the history; `causes` are the items whose life ended, which nobody writes down as such."""

    tag: str
    done_on: date
    action: str
    ref: str = ""
    found_on: date | None = None
    reason: str = ""
    turnaround: str = ""
    as_found: tuple[tuple[str, str], ...] = ()
    failure_mode: str = ""
    last_ok_on: date | None = None
    renewed: tuple[str, ...] = ()
    kits_used: tuple[tuple[str, int], ...] = ()
    service_class_from: str = ""
    serial_fitted: str = ""
    labour_hours: str = ""
    cost: str = ""
    note: str = ""
    causes: tuple[str, ...] = ()
