"""Back-tests of the forecast: how good it would have been from earlier days, beside simple methods.

Scores keep codes as they were given and no references to the record: they outlive it.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, Text
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, UtcTimestamp, code_key_type

VERDICTS = ("", "better", "alike", "worse", "too few origins")


class Backtest(SQLModel, table=True):
    """One back-test, stored with the run that was the latest; `origins` are the days forecast from."""

    __tablename__ = "backtests"
    __table_args__ = (Index(None, "run_id"), CheckConstraint("horizon_days > 0", name="horizon_positive"))

    id: int = Field(default=None, primary_key=True)
    run_id: int = Field(sa_column_args=[ForeignKey("runs.id", ondelete="CASCADE")])
    as_of: date
    computed_at: datetime = Field(sa_type=UtcTimestamp)
    code_version: str
    horizon_days: int
    summary: str = Field(sa_type=Text)
    details: dict[str, Any] = Field(default_factory=dict, sa_type=JSON_DOCUMENT)


class BacktestScore(SQLModel, table=True):
    """How good a method was for a kit: of the plant (storeroom '') or of a storeroom; kit '' is all of them."""

    __tablename__ = "backtest_scores"
    __table_args__ = (
        Index(None, "backtest_id", "kit_key"),
        CheckConstraint(f"verdict IN ({', '.join(repr(word) for word in VERDICTS)})", name="verdict_known"),
        CheckConstraint("forecasts > 0", name="forecasts_positive"),
    )

    id: int = Field(default=None, primary_key=True)
    backtest_id: int = Field(sa_column_args=[ForeignKey("backtests.id", ondelete="CASCADE")])
    storeroom: str
    storeroom_key: str = Field(sa_type=code_key_type())
    kit: str
    kit_key: str = Field(sa_type=code_key_type())
    method: str = Field(max_length=30)
    horizon_days: float
    target: float
    forecasts: int
    actual_mean: float
    bias: float | None = None
    cover_80: float | None = None
    cover_90: float | None = None
    crps: float | None = None
    pinball: float
    reached_share: float
    difference: float | None = None
    difference_error: float | None = None
    verdict: str = Field(max_length=20)
