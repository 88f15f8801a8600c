"""Back-tests and their scores."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0008"
down_revision = "0009"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
CODE_KEY = sa.String(180).with_variant(sa.String(180, collation="C"), "postgresql")
INSTANT = sa.DateTime(timezone=True)
KNOWN = ("bias", "cover_80", "cover_90", "crps", "difference", "difference_error")
MEASURED = ("horizon_days", "target", "actual_mean", "pinball", "reached_share")


def upgrade() -> None:
    op.create_table(
        "backtests",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False, index=True),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("computed_at", INSTANT, nullable=False),
        sa.Column("code_version", sa.String(), nullable=False),
        sa.Column("horizon_days", sa.Integer(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
        sa.CheckConstraint("horizon_days > 0", name="horizon_positive"),
    )
    op.create_table(
        "backtest_scores",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("backtest_id", sa.Integer(), sa.ForeignKey("backtests.id", ondelete="CASCADE"), nullable=False),
        *(sa.Column(name, kind, nullable=False) for name, kind in _codes()),
        sa.Column("method", sa.String(30), nullable=False),
        *(sa.Column(name, sa.Float(), nullable=False) for name in MEASURED),
        *(sa.Column(name, sa.Float()) for name in KNOWN),
        sa.Column("forecasts", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(20), nullable=False),
        sa.CheckConstraint(
            "verdict IN ('', 'better', 'alike', 'worse', 'too few origins')",
            name="verdict_known",
        ),
        sa.CheckConstraint("forecasts > 0", name="forecasts_positive"),
        sa.Index(None, "backtest_id", "kit_key"),
    )


def downgrade() -> None:
    op.drop_table("backtest_scores")
    op.drop_table("backtests")


def _codes() -> "list[tuple[str, sa.types.TypeEngine[str]]]":
    return [
        (name, kind) for code in ("storeroom", "kit") for name, kind in ((code, sa.String()), (f"{code}_key", CODE_KEY))
    ]
