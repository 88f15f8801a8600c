"""What the scheduler did and does; how far a run is, and until when its process is believed to live."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0010"
down_revision = "0008"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
INSTANT = sa.DateTime(timezone=True)
OF_RUNS = (
    ("lease_ends_at", INSTANT),
    ("stage", sa.String(20)),
    ("stage_began_at", INSTANT),
    ("stage_seconds", JSON_DOCUMENT),
)


def upgrade() -> None:
    with op.batch_alter_table("runs") as runs:
        for name, kind in OF_RUNS:
            runs.add_column(sa.Column(name, kind))
    op.create_table(
        "scheduled_jobs",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("job", sa.String(40), nullable=False),
        sa.Column("due_at", INSTANT, nullable=False),
        sa.Column("status", sa.String(10), nullable=False),
        sa.Column("token", sa.Integer(), nullable=False),
        sa.Column("late", sa.Boolean(), nullable=False),
        sa.Column("host", sa.String(), nullable=False),
        sa.Column("pid", sa.Integer(), nullable=False),
        sa.Column("claimed_at", INSTANT, nullable=False),
        sa.Column("lease_ends_at", INSTANT),
        sa.Column("finished_at", INSTANT),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="SET NULL"), index=True),
        sa.Column("outcome", sa.Text()),
        sa.CheckConstraint("status IN ('running', 'finished', 'failed', 'skipped')", name="status_known"),
        sa.CheckConstraint("CAST(token AS NUMERIC) >= 0", name="token_at_least_0"),
        sa.CheckConstraint("(status = 'running') = (lease_ends_at IS NOT NULL)", name="lease_while_running"),
        sa.CheckConstraint("(status = 'running') = (finished_at IS NULL)", name="finished_unless_running"),
        sa.UniqueConstraint("job", "due_at"),
    )


def downgrade() -> None:
    op.drop_table("scheduled_jobs")
    with op.batch_alter_table("runs") as runs:
        for name, _ in reversed(OF_RUNS):
            runs.drop_column(name)
