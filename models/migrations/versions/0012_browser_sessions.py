"""Browsers that are signed in."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0010"
branch_labels = None
depends_on = None

INSTANT = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "browser_sessions",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("key_id", sa.Integer(), sa.ForeignKey("access_keys.id"), nullable=False, index=True),
        sa.Column("began_at", INSTANT, nullable=False),
        sa.Column("ends_at", INSTANT, nullable=False),
        sa.UniqueConstraint("digest"),
    )


def downgrade() -> None:
    op.drop_table("browser_sessions")
