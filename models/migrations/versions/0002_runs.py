"""Runs of the forecast, what they found, and facts about the database.

Constraints are named by the convention of `models/base.py`.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
EXACT_DECIMAL = sa.Numeric().with_variant(sa.Text(), "sqlite")
CODE_KEY = sa.String(180).with_variant(sa.String(180, collation="C"), "postgresql")
INSTANT = sa.DateTime(timezone=True)


def upgrade() -> None:
    _create_runs()
    _create_failure_models()
    _create_demand()
    _create_reorder_points()
    _create_needs()
    _create_findings()
    op.create_table(
        "database_facts",
        sa.Column("name", sa.String(), primary_key=True),
        sa.Column("value", sa.Text(), nullable=False),
    )


def downgrade() -> None:
    for table in ("database_facts", "run_findings", "run_needs", "run_reorder_points", "run_demand"):
        op.drop_table(table)
    for table in ("run_failure_models", "runs"):
        op.drop_table(table)


def _create_runs() -> None:
    is_open = "status IN ('queued', 'running')"
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("status", sa.String(10), nullable=False),
        sa.Column("open_slot", sa.Integer()),
        sa.Column("requested_at", INSTANT, nullable=False),
        sa.Column("started_at", INSTANT),
        sa.Column("finished_at", INSTANT),
        sa.Column("input_digest", sa.String(64)),
        sa.Column("code_version", sa.String(), nullable=False),
        sa.Column("horizon_ends_on", sa.Date()),
        sa.Column("method", sa.String()),
        sa.Column("error", sa.Text()),
        sa.Column("host", sa.String()),
        sa.Column("pid", sa.Integer()),
        sa.Column("counts", JSON_DOCUMENT, nullable=False),
        sa.CheckConstraint("status IN ('queued', 'running', 'finished', 'failed', 'cancelled')", name="status_known"),
        sa.CheckConstraint(f"({is_open}) = (open_slot IS NOT NULL)", name="open_slot_while_open"),
        sa.CheckConstraint("open_slot = 1", name="open_slot_is_one"),
        sa.CheckConstraint(
            "status <> 'finished' OR (input_digest IS NOT NULL AND finished_at IS NOT NULL)",
            name="finished_is_complete",
        ),
        sa.UniqueConstraint("open_slot"),
    )


def _create_failure_models() -> None:
    op.create_table(
        "run_failure_models",
        *_of_a_run(),
        *_code("service_class"),
        *_code("maintainable_item"),
        sa.Column("family", sa.String()),
        *_numbers("scale_days", "shape", "mle_scale_days", "mle_shape"),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("lives", sa.Integer(), nullable=False),
        *_numbers("mean_days", "b10_days", "pool_share"),
        *_outcome(),
        sa.UniqueConstraint(
            "run_id", "service_class_key", "maintainable_item_key", name="uq_run_failure_models_class_item"
        ),
        sa.CheckConstraint("failures >= 0 AND lives >= 0", name="counts_not_negative"),
    )


def _create_demand() -> None:
    op.create_table(
        "run_demand",
        *_of_a_run(),
        *_code("area"),
        *_code("kit"),
        sa.Column("bucket", sa.String(20), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        *_numbers("mean"),
        *_counts("p10", "p50", "p80", "p90", "p95"),
        *_numbers("unplanned_mean", "planned_mean", "turnaround_mean"),
        *_outcome(),
        sa.Column("probabilities", JSON_DOCUMENT),
        sa.CheckConstraint(
            "bucket IN ('week', 'month', 'quarter', 'year', 'protection_interval')", name="bucket_known"
        ),
        sa.CheckConstraint("starts_on <= ends_on", name="period_in_order"),
        sa.UniqueConstraint("run_id", "area_key", "kit_key", "bucket", "starts_on"),
    )


def _create_reorder_points() -> None:
    op.create_table(
        "run_reorder_points",
        *_of_a_run(),
        *_code("storeroom"),
        *_code("kit"),
        *_counts("reorder_point", "order_quantity"),
        *_numbers("protection_interval_days", "target", "cycle_service_level", "fill_rate"),
        *_counts("present_reorder_point"),
        sa.Column("rule", sa.String()),
        *_counts("position", "proposed_quantity"),
        sa.Column("order_by", sa.Date()),
        sa.Column("unit_cost", EXACT_DECIMAL),
        sa.Column("cost", EXACT_DECIMAL),
        *_outcome(),
        sa.CheckConstraint("proposed_quantity >= 0", name="proposal_not_negative"),
        sa.UniqueConstraint("run_id", "storeroom_key", "kit_key"),
    )


def _create_needs() -> None:
    op.create_table(
        "run_needs",
        *_of_a_run(),
        *_code("storeroom"),
        *_code("kit"),
        *_code("tag"),
        sa.Column("maintainable_item", sa.String(), nullable=False),
        sa.Column("service_class", sa.String(), nullable=False),
        sa.Column("age_days", sa.Float()),
        sa.Column("policy", sa.String(), nullable=False),
        *_numbers("p_30", "p_90", "p_365", "mean_protection", "mean_365"),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
        sa.Index(None, "run_id", "tag_key"),
        sa.Index(None, "run_id", "storeroom_key", "kit_key"),
    )


def _create_findings() -> None:
    op.create_table(
        "run_findings",
        *_of_a_run(),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("file", sa.String()),
        sa.Column("record_key", sa.String()),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("treatment", sa.Text()),
        sa.Column("effect", sa.Text()),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
        sa.Index(None, "run_id"),
    )


def _of_a_run() -> tuple[sa.Column[int], sa.Column[int]]:
    run_id = sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False)
    return sa.Column("id", sa.Integer(), primary_key=True), run_id


def _code(name: str) -> tuple[sa.Column[str], sa.Column[str]]:
    return sa.Column(name, sa.String(), nullable=False), sa.Column(f"{name}_key", CODE_KEY, nullable=False)


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Float()) for name in names]


def _counts(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer()) for name in names]


def _outcome() -> tuple[sa.Column[str], sa.Column[str], sa.Column[object]]:
    return (
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("reason", sa.Text()),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
    )
