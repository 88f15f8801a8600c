"""Demand by storeroom and service class and around turnarounds; what runs read; what changed since the run before."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0009"
down_revision = "0005"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
CODE_KEY = sa.String(180).with_variant(sa.String(180, collation="C"), "postgresql")
WHOSE = ("storeroom", "service_class")
OLD_BUCKETS = ("week", "month", "quarter", "year", "protection_interval")
NEW_BUCKETS = (*OLD_BUCKETS, "until_turnaround", "in_turnaround")
OLD_PERIOD = ("run_id", "area_key", "kit_key", "bucket", "starts_on")
OLD_NAME = "uq_run_demand_run_id_area_key_kit_key_bucket_starts_on"
NEW_PERIOD = ("run_id", "area_key", "storeroom_key", "service_class_key", "kit_key", "bucket", "starts_on", "ends_on")
NEW_NAME = "uq_run_demand_whose_kit_and_period"
PARTS = ("days", "before", "record_corrections", "time_passing", "new_events", "new_model", "after")


def upgrade() -> None:
    with op.batch_alter_table("run_demand") as demand:
        for name in WHOSE:
            demand.add_column(sa.Column(name, sa.String(), nullable=False, server_default=""))
            demand.add_column(sa.Column(f"{name}_key", CODE_KEY, nullable=False, server_default=""))
        demand.drop_constraint(op.f("ck_run_demand_bucket_known"), type_="check")
        demand.create_check_constraint(op.f("ck_run_demand_bucket_known"), _one_of(NEW_BUCKETS))
        demand.drop_constraint(op.f(OLD_NAME), type_="unique")
        demand.create_unique_constraint(op.f(NEW_NAME), [*NEW_PERIOD])
    with op.batch_alter_table("run_demand") as demand:
        for name in WHOSE:
            demand.alter_column(name, server_default=None)
            demand.alter_column(f"{name}_key", server_default=None)
    op.create_table(
        "run_inputs",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary(), nullable=False),
    )
    _create_changes()


def downgrade() -> None:
    op.drop_table("run_changes")
    op.drop_table("run_inputs")
    op.execute(f"DELETE FROM run_demand WHERE storeroom <> '' OR service_class <> '' OR NOT ({_one_of(OLD_BUCKETS)})")
    with op.batch_alter_table("run_demand") as demand:
        demand.drop_constraint(op.f(NEW_NAME), type_="unique")
        demand.create_unique_constraint(op.f(OLD_NAME), [*OLD_PERIOD])
        demand.drop_constraint(op.f("ck_run_demand_bucket_known"), type_="check")
        demand.create_check_constraint(op.f("ck_run_demand_bucket_known"), _one_of(OLD_BUCKETS))
        for name in WHOSE:
            demand.drop_column(f"{name}_key")
            demand.drop_column(name)


def _create_changes() -> None:
    op.create_table(
        "run_changes",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False),
        sa.Column("since_run", sa.Integer(), nullable=False),
        sa.Column("since_as_of", sa.Date(), nullable=False),
        *(
            column
            for name in ("storeroom", "kit")
            for column in (
                sa.Column(name, sa.String(), nullable=False),
                sa.Column(f"{name}_key", CODE_KEY, nullable=False),
            )
        ),
        *(sa.Column(name, sa.Float(), nullable=False) for name in PARTS),
        sa.Column("details", JSON_DOCUMENT, nullable=False),
        sa.UniqueConstraint("run_id", "storeroom_key", "kit_key"),
    )


def _one_of(buckets: tuple[str, ...]) -> str:
    return f"bucket IN ({', '.join(repr(bucket) for bucket in buckets)})"
