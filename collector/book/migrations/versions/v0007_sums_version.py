"""A counter by which readers notice that kept sums came or went."""

import sqlalchemy as sa
from alembic import op

revision = "sums_version"
down_revision = "faults"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    table = op.create_table(
        "day_sum_version",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_day_sum_version"),
    )
    op.bulk_insert(table, [{"id": 1, "value": 0}])


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("day_sum_version")
