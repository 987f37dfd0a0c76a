"""Who may write to a saw: processes that live, and the leases that they hold."""

import sqlalchemy as sa
from alembic import op

revision = "leases"
down_revision = "people_and_badges"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "holder",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("title", sa.String(length=100), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("pid", sa.Integer(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_holder"),
    )
    op.create_table(
        "lease",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("holder_id", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_lease"),
    )


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("lease")
    op.drop_table("holder")
