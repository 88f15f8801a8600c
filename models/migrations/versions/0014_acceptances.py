"""What named holders took of what runs proposed."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

from models.base import ExactDecimal, code_key_type

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

JSON_DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    op.create_table(
        "acceptances",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("run_id", sa.Integer(), sa.ForeignKey("runs.id"), nullable=False, index=True),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("storeroom", sa.String(), nullable=False),
        sa.Column("storeroom_key", code_key_type(), nullable=False),
        sa.Column("kit", sa.String(), nullable=False),
        sa.Column("kit_key", code_key_type(), nullable=False),
        sa.Column("reorder_point", sa.Integer()),
        sa.Column("quantity", sa.Integer()),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("holder", sa.String(200), nullable=False),
        sa.Column("accepted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("proposed_reorder_point", sa.Integer(), nullable=False),
        sa.Column("proposed_quantity", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer()),
        sa.Column("present_reorder_point", sa.Integer()),
        sa.Column("stated_reorder_point", sa.Integer()),
        sa.Column("unit_cost", ExactDecimal()),
        sa.Column("known_orders", JSON_DOCUMENT, nullable=False),
        sa.CheckConstraint("reorder_point IS NOT NULL OR quantity IS NOT NULL", name="something_taken"),
        sa.CheckConstraint("length(reason) > 0", name="reason_given"),
        sa.CheckConstraint("CAST(reorder_point AS NUMERIC) >= -1", name="reorder_point_at_least_-1"),
        sa.CheckConstraint("CAST(quantity AS NUMERIC) >= 0", name="quantity_at_least_0"),
        sa.Index(None, "storeroom_key", "kit_key"),
    )


def downgrade() -> None:
    op.drop_table("acceptances")
