"""Runs of the forecast, as they are asked for and as they leave."""

from datetime import date, datetime

from msgspec import UNSET, Struct, UnsetType

from service.schemas.accuracy import BacktestOut


class RunRequest(Struct, kw_only=True, forbid_unknown_fields=True):
    """Which run is wanted; `as_of` is the data cut-off, today if it is left out."""

    as_of: date | None = None


class RunOut(Struct, kw_only=True):
    """One execution of the forecast job.

    `stage` is what a running one does now, `progress` the share of its stages that it has behind it.
    """

    id: int
    as_of: date
    status: str
    requested_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    input_digest: str | None
    code_version: str
    horizon_ends_on: date | None
    method: str | None
    error: str | None
    stage: str | None
    progress: float | UnsetType = UNSET
    stage_seconds: dict[str, float] | None
    counts: dict[str, object]
    last_backtest: BacktestOut | None | UnsetType = UNSET
    notice: str | UnsetType = UNSET
