"""Keys, the audit trail, answers kept for repeated requests."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
INSTANT = sa.DateTime(timezone=True)
ROLES = "'reader', 'sheet', 'bench', 'storeroom', 'planner', 'admin'"


def upgrade() -> None:
    op.create_table(
        "access_keys",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("created_at", INSTANT, nullable=False),
        sa.Column("expires_at", INSTANT),
        sa.Column("revoked_at", INSTANT),
        sa.CheckConstraint(f"role IN ({ROLES})", name="role_known"),
        sa.CheckConstraint("length(holder) > 0", name="holder_named"),
    )
    _create_audit()
    op.create_table(
        "kept_answers",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("key_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("request_digest", sa.String(64), nullable=False),
        sa.Column("asked_at", INSTANT, nullable=False),
        sa.Column("status", sa.Integer()),
        sa.Column("headers", JSON_DOCUMENT, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.UniqueConstraint("key_id", "name"),
        sa.Index(None, "asked_at"),
    )


def downgrade() -> None:
    for table in ("kept_answers", "audit_changes", "audit_entries", "access_keys"):
        op.drop_table(table)


def _create_audit() -> None:
    op.create_table(
        "audit_entries",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("at", INSTANT, nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("request_id", sa.String(64)),
        sa.Column("action", sa.String(20), nullable=False),
        sa.Column("subjects", JSON_DOCUMENT, nullable=False),
    )
    op.create_table(
        "audit_changes",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("entry_id", sa.Integer(), sa.ForeignKey("audit_entries.id"), nullable=False),
        sa.Column("file", sa.String(60), nullable=False),
        sa.Column("record_key", JSON_DOCUMENT, nullable=False),
        sa.Column("before", JSON_DOCUMENT),
        sa.Column("after", JSON_DOCUMENT),
        sa.Index(None, "entry_id"),
    )
