"""What was signed for turnarounds, later scope, and what was really paid."""

import sqlalchemy as sa
from alembic import op

from models.base import ExactDecimal, code_key_type

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

INSTANT = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "signatures",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("turnaround", sa.String(), nullable=False),
        sa.Column("turnaround_key", code_key_type(), nullable=False, unique=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id"), nullable=False, index=True),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("signed_at", INSTANT, nullable=False),
        sa.Column("note", sa.Text()),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("length(sha256) = 64", name="sha256_whole"),
    )
    op.create_table(
        "late_scope",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("signature_id", sa.Integer(), sa.ForeignKey("signatures.id"), nullable=False, index=True),
        sa.Column("change", sa.String(10), nullable=False),
        sa.Column("tag", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("cost", ExactDecimal(), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.CheckConstraint("change IN ('add', 'drop')", name="change_known"),
        sa.CheckConstraint("CAST(cost AS NUMERIC) >= 0", name="cost_at_least_0"),
        sa.CheckConstraint("length(reason) > 0", name="reason_given"),
    )
    op.create_table(
        "turnaround_actuals",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("signature_id", sa.Integer(), sa.ForeignKey("signatures.id"), nullable=False, index=True),
        sa.Column("line", sa.String(60), nullable=False),
        sa.Column("amount", ExactDecimal(), nullable=False),
        sa.Column("paid_on", sa.Date(), nullable=False),
        sa.Column("note", sa.Text()),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.CheckConstraint("length(line) > 0", name="line_given"),
    )


def downgrade() -> None:
    op.drop_table("turnaround_actuals")
    op.drop_table("late_scope")
    op.drop_table("signatures")
