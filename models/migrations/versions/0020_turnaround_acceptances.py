"""What was accepted of a turnaround's plan."""

import sqlalchemy as sa
from alembic import op

from models.base import code_key_type

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

RULE = "ck_acceptances_level_proposed"


def upgrade() -> None:
    with op.batch_alter_table("acceptances") as acceptances:
        acceptances.add_column(sa.Column("turnaround", sa.String()))
        acceptances.add_column(sa.Column("turnaround_key", code_key_type()))
        acceptances.alter_column("proposed_reorder_point", existing_type=sa.Integer(), nullable=True)
        acceptances.create_check_constraint(op.f(RULE), "turnaround IS NOT NULL OR proposed_reorder_point IS NOT NULL")


def downgrade() -> None:
    # an older version would count it as ordered for the running need
    op.execute("DELETE FROM acceptances WHERE turnaround IS NOT NULL")
    with op.batch_alter_table("acceptances") as acceptances:
        acceptances.drop_constraint(op.f(RULE), type_="check")
        acceptances.alter_column("proposed_reorder_point", existing_type=sa.Integer(), nullable=False)
        acceptances.drop_column("turnaround_key")
        acceptances.drop_column("turnaround")
