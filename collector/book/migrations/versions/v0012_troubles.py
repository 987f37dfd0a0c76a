"""Troubles of the collector itself, and packs that wait for its clock to be put right."""

import sqlalchemy as sa
from alembic import op

revision = "troubles"
down_revision = "mirrored"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "trouble",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("begun_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("said", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_trouble"),
    )
    op.create_index("ix_trouble_ended_us", "trouble", ["ended_us"], unique=False)
    op.create_table(
        "held_pack",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("boot", sa.String(length=64), nullable=False),
        sa.Column("ticks_us", sa.BigInteger(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_held_pack"),
    )
    op.create_index("ix_held_pack_saw_id", "held_pack", ["saw", "id"], unique=False)


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("held_pack")
    op.drop_table("trouble")
