"""What the allowed seat leakage of a design depends on."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

NUMBERS = ("seat_diameter_mm", "rated_capacity_kv")


def upgrade() -> None:
    with op.batch_alter_table("designs") as designs:
        designs.add_column(sa.Column("leakage_class", sa.String(3)))
        for name in NUMBERS:
            designs.add_column(sa.Column(name, sa.Float()))
        designs.create_check_constraint(
            op.f("ck_designs_leakage_class_known"), "leakage_class IN ('I', 'II', 'III', 'IV', 'V', 'VI')"
        )
        for name in NUMBERS:
            designs.create_check_constraint(op.f(f"ck_designs_{name}_at_least_0"), f"CAST({name} AS NUMERIC) >= 0")


def downgrade() -> None:
    with op.batch_alter_table("designs") as designs:
        for name in (*(f"{name}_at_least_0" for name in NUMBERS), "leakage_class_known"):
            designs.drop_constraint(op.f(f"ck_designs_{name}"), type_="check")
        for name in (*NUMBERS, "leakage_class"):
            designs.drop_column(name)
