"""Sums of days that are over."""

import sqlalchemy as sa
from alembic import op

revision = "sums"
down_revision = "tending"
branch_labels = None
depends_on = None

_MEASURES = (
    "planned", "known", "cutting", "in_use", "handling", "door", "extra",
    "motor_idle", "idle_known", "idle_charge", "cut_charge", "vertical", "horizontal", "unknown",
)  # fmt: skip


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "day_sum",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("part", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.Column("basis", sa.String(length=32), nullable=False),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in _MEASURES),
        sa.Column("stretches", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_day_sum_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", "part", name="pk_day_sum"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_day_sum_saw_id_until_us", "day_sum", ["saw_id", "until_us"], unique=False)


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("day_sum")
