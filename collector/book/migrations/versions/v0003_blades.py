"""Blades: their descriptions, the stations of their lives, and what was said about changes."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "blades"
down_revision = "0002_people"
branch_labels = None
depends_on = None


def _head() -> list[sa.Column[Any]]:
    return [
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
    ]


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "blade_sheet",
        *_head(),
        sa.Column("tag", sa.String(length=32), nullable=False),
        sa.Column("removed", sa.Boolean(), nullable=False),
        sa.Column("diameter_mm", sa.Float(), nullable=True),
        sa.Column("teeth", sa.Integer(), nullable=True),
        sa.Column("tooth_form", sa.String(length=60), nullable=False),
        sa.Column("kerf_mm", sa.Float(), nullable=True),
        sa.Column("max_rpm", sa.Integer(), nullable=True),
        sa.Column("sharpenings_limit", sa.Integer(), nullable=True),
        sa.Column("bought", sa.String(length=10), nullable=True),
        sa.Column("price_cents", sa.BigInteger(), nullable=True),
        sa.Column("group", sa.String(length=32), nullable=False),
        sa.Column("limit_cuts", sa.Integer(), nullable=True),
        sa.Column("limit_minutes", sa.Integer(), nullable=True),
        sa.Column("limit_metres", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_blade_sheet"),
        sa.UniqueConstraint("key", name="uq_blade_sheet_key"),
    )
    op.create_table(
        "blade_event",
        *_head(),
        sa.Column("tag", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("price_cents", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("corrects", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["corrects"], ["blade_event.id"], name="fk_blade_event_corrects_blade_event"),
        sa.PrimaryKeyConstraint("id", name="pk_blade_event"),
        sa.UniqueConstraint("key", name="uq_blade_event_key"),
    )
    op.create_index("ix_blade_event_tag_at_us", "blade_event", ["tag", "at_us"], unique=False)
    op.create_table(
        "blade_change",
        *_head(),
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("tag", sa.String(length=32), nullable=True),
        sa.Column("fate", sa.String(length=16), nullable=True),
        sa.Column("corrects", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["corrects"], ["blade_change.id"], name="fk_blade_change_corrects_blade_change"),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_blade_change_saw_id_saw"),
        sa.PrimaryKeyConstraint("id", name="pk_blade_change"),
        sa.UniqueConstraint("key", name="uq_blade_change_key"),
    )
    op.create_index("ix_blade_change_saw_id_at_us", "blade_change", ["saw_id", "at_us"], unique=False)


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("blade_change")
    op.drop_table("blade_event")
    op.drop_table("blade_sheet")
