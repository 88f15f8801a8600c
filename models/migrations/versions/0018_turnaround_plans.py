"""What runs plan for turnarounds."""

import sqlalchemy as sa
from alembic import op

from models.base import code_key_type

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "run_turnarounds",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("code_key", code_key_type(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.UniqueConstraint("run_id", "code_key"),
    )


def downgrade() -> None:
    op.drop_table("run_turnarounds")
