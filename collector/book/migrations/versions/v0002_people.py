"""What people say: marks about cuts, and the detector settings of a saw with their date."""

import sqlalchemy as sa
from alembic import op

revision = "0002_people"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("direction", sa.String(length=16), nullable=True),
        sa.Column("mean_ma", sa.Integer(), nullable=True),
        sa.Column("peak_ma", sa.Integer(), nullable=True),
        sa.Column("idle_ma", sa.Integer(), nullable=True),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_mark_saw_id_saw"),
        sa.PrimaryKeyConstraint("id", name="pk_mark"),
    )
    op.create_index("ix_mark_saw_id_start_us", "mark", ["saw_id", "start_us"])
    op.create_table(
        "mark_withdrawn",
        sa.Column("mark_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["mark_id"], ["mark.id"], name="fk_mark_withdrawn_mark_id_mark"),
        sa.PrimaryKeyConstraint("mark_id", name="pk_mark_withdrawn"),
    )
    op.create_table(
        "detect_settings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.Column("seen", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_detect_settings_saw_id_saw"),
        sa.PrimaryKeyConstraint("id", name="pk_detect_settings"),
    )
    op.create_index("ix_detect_settings_saw_id_valid_from_us", "detect_settings", ["saw_id", "valid_from_us"])


def downgrade() -> None:
    """Back to the version before."""
    op.drop_index("ix_detect_settings_saw_id_valid_from_us", table_name="detect_settings")
    op.drop_table("detect_settings")
    op.drop_table("mark_withdrawn")
    op.drop_index("ix_mark_saw_id_start_us", table_name="mark")
    op.drop_table("mark")
