"""Maintenance tasks and ticks, calendar feeds, alerts with their events, and the outbox."""

import sqlalchemy as sa
from alembic import op

revision = "tending"
down_revision = "blades"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "task",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_task"),
    )
    op.create_index("ix_task_name", "task", ["name"], unique=False)
    op.create_table(
        "tick",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("task", sa.String(length=64), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("occurrence", sa.String(length=64), nullable=False),
        sa.Column("done_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("said_us", sa.BigInteger(), nullable=False),
        sa.Column("replaces", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("token", sa.String(length=64), nullable=True),
        sa.ForeignKeyConstraint(["replaces"], ["tick.id"], name="fk_tick_replaces_tick"),
        sa.PrimaryKeyConstraint("id", name="pk_tick"),
        sa.UniqueConstraint("replaces", name="uq_tick_replaces"),
        sa.UniqueConstraint("token", name="uq_tick_token"),
    )
    op.create_index("ix_tick_saw_task_done_us", "tick", ["saw", "task", "done_us"], unique=False)
    op.create_table(
        "feed",
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("secret", sa.String(length=64), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("role", name="pk_feed"),
        sa.UniqueConstraint("secret", name="uq_feed_secret"),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("subject", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("over", sa.Boolean(), nullable=False),
        sa.Column("raised_us", sa.BigInteger(), nullable=False),
        sa.Column("mark_us", sa.BigInteger(), nullable=False),
        sa.Column("returned_us", sa.BigInteger(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("before", sa.Integer(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("acknowledged_us", sa.BigInteger(), nullable=True),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("shelved_until_us", sa.BigInteger(), nullable=True),
        sa.Column("escalated_us", sa.BigInteger(), nullable=True),
        sa.Column("told_us", sa.BigInteger(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_alert"),
    )
    op.create_index("ix_alert_kind_saw_subject", "alert", ["kind", "saw", "subject"], unique=False)
    op.create_index("ix_alert_over", "alert", ["over"], unique=False)
    op.create_index("ix_alert_raised_us", "alert", ["raised_us"], unique=False)
    op.create_table(
        "alert_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alert_id", sa.Integer(), nullable=False),
        sa.Column("event", sa.String(length=16), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name="fk_alert_event_alert_id_alert"),
        sa.PrimaryKeyConstraint("id", name="pk_alert_event"),
    )
    op.create_index("ix_alert_event_alert_id", "alert_event", ["alert_id"], unique=False)
    op.create_table(
        "letter",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alert_id", sa.Integer(), nullable=True),
        sa.Column("channel", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.String(length=32), nullable=False),
        sa.Column("occasion", sa.String(length=128), nullable=True),
        sa.Column("title", sa.Text(), nullable=True),
        sa.Column("body", sa.Text(), nullable=True),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("next_us", sa.BigInteger(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("sent_us", sa.BigInteger(), nullable=True),
        sa.Column("given_up_us", sa.BigInteger(), nullable=True),
        sa.Column("error", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name="fk_letter_alert_id_alert"),
        sa.PrimaryKeyConstraint("id", name="pk_letter"),
        sa.UniqueConstraint("occasion", name="uq_letter_occasion"),
    )
    op.create_index(
        "ix_letter_sent_us_given_up_us_next_us", "letter", ["sent_us", "given_up_us", "next_us"], unique=False
    )
    op.create_table(
        "alert_watch",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.Column("looked_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_alert_watch"),
    )


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("alert_watch")
    op.drop_table("letter")
    op.drop_table("alert_event")
    op.drop_table("alert")
    op.drop_table("feed")
    op.drop_table("tick")
    op.drop_table("task")
