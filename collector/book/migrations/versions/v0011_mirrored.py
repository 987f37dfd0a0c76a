"""Days whose facts were written to another database as they are."""

import sqlalchemy as sa
from alembic import op

revision = "mirrored"
down_revision = "leases"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "mirrored",
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("day_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_mirrored_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "day_us", name="pk_mirrored"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("mirrored")
