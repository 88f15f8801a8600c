"""Where in a storeroom a kit lies."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("stock") as stock:
        stock.add_column(sa.Column("bin", sa.String(60)))


def downgrade() -> None:
    with op.batch_alter_table("stock") as stock:
        stock.drop_column("bin")
