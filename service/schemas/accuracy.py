"""How good the forecast was by the last back-test, as it leaves."""

from collections.abc import Sequence
from datetime import date

from msgspec import Struct


class LostOut(Struct, kw_only=True):
    """A kit that a simple method, or the level kept, was better for."""

    storeroom: str
    kit: str
    method: str
    difference: float
    difference_error: float


class BacktestOut(Struct, kw_only=True):
    """The last back-test, as it was when a run was; `age_days` is how much further the run read."""

    computed_on: date
    as_of: date
    age_days: int
    horizon_days: int
    summary: str
    lost: Sequence[LostOut]
    origins: Sequence[date]
    kit_forecasts: int
    pit_heights: Sequence[float]
    notes: Sequence[str]


class AccuracyOut(Struct, kw_only=True):
    """How good one method was for a kit, of the plant or of a storeroom; without a kit: for all of them together.

    `verdict` is of the forecast beside this method: better, alike, or worse.
    """

    kit: str
    storeroom: str
    method: str
    horizon_days: float
    forecasts: int
    actual_mean: float
    bias: float | None
    cover_80: float | None
    cover_90: float | None
    crps: float | None
    target: float
    pinball: float
    reached_share: float
    difference: float | None
    difference_error: float | None
    verdict: str
