"""What each saw was seen to do over and over."""

import sqlalchemy as sa
from alembic import op

revision = "habits"
down_revision = "troubles"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "saw_habits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), nullable=False),
        sa.Column("habits", sa.Text(), nullable=False),
        sa.Column("stops", sa.Integer(), nullable=False),
        sa.Column("brakes", sa.Integer(), nullable=False),
        sa.Column("cuts", sa.Integer(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=False),
        sa.Column("to_us", sa.BigInteger(), nullable=False),
        sa.Column("learned_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_saw_habits_saw_id_saw"),
        sa.PrimaryKeyConstraint("id", name="pk_saw_habits"),
    )
    op.create_index("ix_saw_habits_saw_id_id", "saw_habits", ["saw_id", "id"])


def downgrade() -> None:
    """Back to the version before."""
    op.drop_index("ix_saw_habits_saw_id_id", table_name="saw_habits")
    op.drop_table("saw_habits")
