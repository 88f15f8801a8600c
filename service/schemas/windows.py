"""Demand in days that no run stored, and why it is what it is: the question, the answer of a process, what leaves."""

from collections.abc import Sequence
from datetime import date

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import CAUTIONS, Details
from service.schemas.why import WhyModelOut


class WindowQuestion(Struct, frozen=True, kw_only=True):
    """Which demand of which run; both dates inclusive; what it isn't asked by is ''."""

    run: int
    kit: str
    starts_on: date
    ends_on: date
    area: str = ""
    storeroom: str = ""
    service_class: str = ""


class ValvePart(Struct, frozen=True, kw_only=True):
    """What a valve adds to a demand: the chance that it needs the kit at all, and how many it is expected to take."""

    tag: str
    maintainable_item: str
    service_class: str
    age_days: float | None
    policy: str
    chance: float
    expected: float
    unplanned: float
    planned: float
    turnaround: float


class WindowAnswer(Struct, frozen=True, kw_only=True):
    """What was computed on request; `missing` says why nothing was."""

    demand: dict[str, object] | None = None
    valves: Sequence[ValvePart] = ()
    missing: str = ""


class DemandWhyOut(Struct, kw_only=True):
    """Why a demand is what it is: which valves, how likely, by which models."""

    kit: str
    starts_on: date
    ends_on: date
    area: str
    storeroom: str
    service_class: str
    sentence: str
    mean: float
    p10: int
    p50: int
    p80: int
    p90: int
    p95: int
    unplanned_mean: float | None
    planned_mean: float | None
    turnaround_mean: float | None
    valves: Sequence[ValvePart]
    valves_left_out: int
    expected_of_valves_left_out: float
    models: Sequence[WhyModelOut]
    status: str
    reason: str | None
    details: Details
    run: int
    as_of: date
    method: str
    cautions: Sequence[str] = CAUTIONS
    notice: str | UnsetType = UNSET
