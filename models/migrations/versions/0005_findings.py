"""Findings that can be closed: closings, voids, merged tags, rows without a tag; who recorded an event."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
INSTANT = sa.DateTime(timezone=True)
RUN_COLUMNS = (
    ("identity", sa.String(64)),
    ("tag", sa.String(60)),
    ("lives_lost", sa.Integer()),
    ("scale_change", sa.Float()),
    ("kits_per_year_change", sa.Float()),
    ("effect_reason", sa.Text()),
)
NEW_TABLES = ("unplaced_events", "tag_merges", "event_voids", "event_recordings", "finding_closings")


def upgrade() -> None:
    for name, kind in RUN_COLUMNS:
        op.add_column("run_findings", sa.Column(name, kind))
    op.create_table(
        "finding_closings",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("identity", sa.String(64), nullable=False, unique=True),
        sa.Column("kind", sa.String(60), nullable=False),
        sa.Column("tag", sa.String(60)),
        sa.Column("record_key", sa.String()),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("decision", sa.String(20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("closed_at", INSTANT, nullable=False),
        sa.CheckConstraint("decision IN ('leave', 'merge', 'void')", name="decision_known"),
        sa.CheckConstraint("length(reason) > 0", name="reason_given"),
    )
    op.create_table(
        "event_recordings",
        _of("event_id", "events.id"),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
    )
    op.create_table(
        "event_voids",
        _of("event_id", "events.id"),
        sa.Column("facts_digest", sa.String(64), nullable=False),
        sa.Column("merged_into_id", sa.Integer(), sa.ForeignKey("events.id", ondelete="SET NULL"), index=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("voided_at", INSTANT, nullable=False),
        sa.CheckConstraint("length(reason) > 0", name="reason_given"),
    )
    op.create_table(
        "tag_merges",
        _of("valve_id", "valves.id"),
        sa.Column("into_valve_id", sa.Integer(), sa.ForeignKey("valves.id", ondelete="CASCADE"), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("merged_at", INSTANT, nullable=False),
        sa.CheckConstraint("valve_id <> into_valve_id", name="into_another"),
        sa.Index(None, "into_valve_id"),
    )
    op.create_table(
        "unplaced_events",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("identity", sa.String(64), nullable=False, unique=True),
        sa.Column("row", JSON_DOCUMENT, nullable=False),
        sa.Column("placed_at", INSTANT),
    )


def downgrade() -> None:
    for table in NEW_TABLES:
        op.drop_table(table)
    with op.batch_alter_table("run_findings") as findings:
        for name, _ in RUN_COLUMNS:
            findings.drop_column(name)


def _of(name: str, target: str) -> "sa.Column[int]":
    return sa.Column(name, sa.Integer(), sa.ForeignKey(target, ondelete="CASCADE"), primary_key=True)
