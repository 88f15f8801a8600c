"""Closures, and what expediting and cancelling a kit's order costs."""

import sqlalchemy as sa
from alembic import op

from models.base import ExactDecimal, code_key_type, valid_code

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

NEW = {"expedited_lead_time_days": sa.Integer, "expediting_cost": ExactDecimal, "cancelling_cost": ExactDecimal}


def upgrade() -> None:
    op.create_table(
        "closures",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("code", sa.String(60), nullable=False),
        sa.Column("code_key", code_key_type(), nullable=False, unique=True),
        sa.Column("name", sa.String(200)),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        valid_code("code"),
        sa.CheckConstraint("ends_on >= starts_on", name="ends_after_start"),
    )
    with op.batch_alter_table("kits") as kits:
        for name, kind in NEW.items():
            kits.add_column(sa.Column(name, kind()))
            kits.create_check_constraint(op.f(f"ck_kits_{name}_at_least_0"), f"CAST({name} AS NUMERIC) >= 0")


def downgrade() -> None:
    with op.batch_alter_table("kits") as kits:
        for name in NEW:
            kits.drop_constraint(op.f(f"ck_kits_{name}_at_least_0"), type_="check")
            kits.drop_column(name)
    op.drop_table("closures")
