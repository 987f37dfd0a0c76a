"""People, the badges that open the door for them, failed attempts, and the audit trail."""

import sqlalchemy as sa
from alembic import op

revision = "people_and_badges"
down_revision = "letter_html"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("through", sa.String(length=100), nullable=False),
        sa.Column("did", sa.String(length=200), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_index("ix_audit_at_us", "audit", ["at_us"], unique=False)
    op.create_index("ix_audit_who", "audit", ["who"], unique=False)
    op.create_table(
        "door_key",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("value", sa.String(length=200), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("name", name="pk_door_key"),
    )
    op.create_table(
        "knock",
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("free_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_knock"),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("login", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("password", sa.String(length=256), nullable=True),
        sa.Column("pin", sa.String(length=256), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("erased_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.UniqueConstraint("login", name="uq_person_login"),
    )
    op.create_table(
        "badge",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("title", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("parent_id", sa.Integer(), nullable=True),
        sa.Column("role", sa.String(length=32), nullable=True),
        sa.Column("rights", sa.String(length=100), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("made_by", sa.String(length=64), nullable=False),
        sa.Column("seen_us", sa.BigInteger(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=True),
        sa.Column("idle_us", sa.BigInteger(), nullable=True),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["parent_id"], ["badge.id"], name="fk_badge_parent_id_badge"),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_badge_person_id_person"),
        sa.PrimaryKeyConstraint("id", name="pk_badge"),
        sa.UniqueConstraint("digest", name="uq_badge_digest"),
    )
    op.create_index("ix_badge_parent_id", "badge", ["parent_id"], unique=False)
    op.create_index("ix_badge_person_id", "badge", ["person_id"], unique=False)


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("badge")
    op.drop_table("person")
    op.drop_table("knock")
    op.drop_table("door_key")
    op.drop_table("audit")
