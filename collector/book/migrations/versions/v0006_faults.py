"""Faults that people report from the saw."""

import sqlalchemy as sa
from alembic import op

revision = "faults"
down_revision = "sums"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "fault",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("what", sa.String(length=32), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.Column("closes", sa.Integer(), nullable=True),
        sa.Column("token", sa.String(length=64), nullable=True),
        sa.ForeignKeyConstraint(["closes"], ["fault.id"], name="fk_fault_closes_fault"),
        sa.PrimaryKeyConstraint("id", name="pk_fault"),
        sa.UniqueConstraint("closes", name="uq_fault_closes"),
        sa.UniqueConstraint("token", name="uq_fault_token"),
    )
    op.create_index("ix_fault_saw_said_us", "fault", ["saw", "said_us"], unique=False)


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("fault")
