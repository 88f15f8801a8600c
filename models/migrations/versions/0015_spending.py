"""What runs say kits will cost outside turnarounds."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

from models.base import ExactDecimal, code_key_type

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
AMOUNTS = ("mean", "p10", "p50", "p80", "p90")


def upgrade() -> None:
    op.create_table(
        "run_spend",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False),
        sa.Column("area", sa.String(), nullable=False),
        sa.Column("area_key", code_key_type(), nullable=False),
        sa.Column("bucket", sa.String(20), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        *(sa.Column(name, ExactDecimal(), nullable=False) for name in AMOUNTS),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("reason", sa.Text()),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
        sa.CheckConstraint("bucket IN ('month', 'quarter', 'year')", name="bucket_known"),
        sa.CheckConstraint("kind IN ('unplanned', 'planned', 'total')", name="kind_known"),
        sa.CheckConstraint("starts_on <= ends_on", name="period_in_order"),
        sa.UniqueConstraint(
            *("run_id", "area_key", "bucket", "starts_on", "ends_on", "kind"), name="uq_run_spend_area_period_kind"
        ),
    )


def downgrade() -> None:
    op.drop_table("run_spend")
