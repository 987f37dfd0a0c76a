"""The first book: saws, facts, checkpoints, refusals, plans."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_plan"),
        sa.UniqueConstraint("valid_from_us", name="uq_plan_valid_from_us"),
    )
    op.create_table(
        "refusal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(length=256), nullable=False),
        sa.Column("saw", sa.String(length=32), nullable=True),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("occurrences", sa.BigInteger(), nullable=False),
        sa.Column("excerpt", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_refusal"),
    )
    op.create_index("ix_refusal_last_us", "refusal", ["last_us"], unique=False)
    op.create_index("ix_refusal_topic_code", "refusal", ["topic", "code"], unique=False)
    op.create_table(
        "refusal_count",
        sa.Column("saw", sa.String(length=32), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("saw", "code", name="pk_refusal_count"),
    )
    op.create_table(
        "revision",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_revision"),
    )
    op.create_table(
        "saw",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_saw"),
        sa.UniqueConstraint("name", name="uq_saw_name"),
    )
    op.create_table(
        "box",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("urn", sa.String(length=255), nullable=True),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("since_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_box_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", name="pk_box"),
    )
    op.create_table(
        "checkpoint",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("consumed_us", sa.BigInteger(), nullable=True),
        sa.Column("state", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_checkpoint_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", name="pk_checkpoint"),
    )
    op.create_table(
        "conflict",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("what", sa.String(length=64), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_conflict_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", "what", name="pk_conflict"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "cut",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=True),
        sa.Column("direction", sa.String(length=16), nullable=False),
        sa.Column("mean_ma", sa.Integer(), nullable=False),
        sa.Column("peak_ma", sa.Integer(), nullable=False),
        sa.Column("idle_ma", sa.Integer(), nullable=False),
        sa.Column("lock_moved", sa.Boolean(), nullable=False),
        sa.Column("station", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_cut_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", name="pk_cut"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "dirty",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("saw_id", sa.Integer(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=False),
        sa.Column("to_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_dirty_saw_id_saw"),
        sa.PrimaryKeyConstraint("id", name="pk_dirty"),
    )
    op.create_index("ix_dirty_saw_id_from_us", "dirty", ["saw_id", "from_us"], unique=False)
    op.create_table(
        "door_visit",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=True),
        sa.Column("current_seen", sa.Boolean(), nullable=False),
        sa.Column("before_stop", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_door_visit_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", name="pk_door_visit"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "gap",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_gap_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", name="pk_gap"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "now",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=True),
        sa.Column("since_us", sa.BigInteger(), nullable=True),
        sa.Column("amps_ma", sa.Integer(), nullable=True),
        sa.Column("locked", sa.Boolean(), nullable=True),
        sa.Column("station", sa.Integer(), nullable=True),
        sa.Column("door_closed", sa.Boolean(), nullable=True),
        sa.Column("clock_skew_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_now_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", name="pk_now"),
    )
    op.create_table(
        "receipt",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("mid", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_receipt_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "mid", name="pk_receipt"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "rest",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_rest_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "at_us", name="pk_rest"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "run",
        sa.Column("saw_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("start_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=True),
        sa.Column("inrush_ma", sa.Integer(), nullable=True),
        sa.Column("stop_us", sa.BigInteger(), nullable=True),
        sa.Column("cuts", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["saw_id"], ["saw.id"], name="fk_run_saw_id_saw"),
        sa.PrimaryKeyConstraint("saw_id", "start_us", name="pk_run"),
        sqlite_with_rowid=False,
    )
    op.bulk_insert(sa.table("revision", sa.column("id"), sa.column("value")), [{"id": 1, "value": 0}])


def downgrade() -> None:
    """Back to the version before."""
    op.drop_table("run")
    op.drop_table("rest")
    op.drop_table("receipt")
    op.drop_table("now")
    op.drop_table("gap")
    op.drop_table("door_visit")
    op.drop_index("ix_dirty_saw_id_from_us", table_name="dirty")
    op.drop_table("dirty")
    op.drop_table("cut")
    op.drop_table("conflict")
    op.drop_table("checkpoint")
    op.drop_table("box")
    op.drop_table("saw")
    op.drop_table("revision")
    op.drop_table("refusal_count")
    op.drop_index("ix_refusal_topic_code", table_name="refusal")
    op.drop_index("ix_refusal_last_us", table_name="refusal")
    op.drop_table("refusal")
    op.drop_table("plan")
