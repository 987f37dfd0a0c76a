"""The book's tables: facts and what is known about the saws, as SQLAlchemy Core, the same on SQLite and PostgreSQL.

Times are BIGINT microseconds UTC (``…_us``), currents INTEGER milliamperes (``…_ma``). A fact's key is its saw and
its start, because a derivation replaces facts by period: nothing may point at a row number that the next derivation
would change. On SQLite the fact tables are stored in the order of that key (WITHOUT ROWID), so "the cuts of this saw
today" is one contiguous read however many years stand before it.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

HEAD = "habits"
"""The schema version that this code reads and writes; the newest migration (a test holds the two together)."""

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

saw = Table(
    "saw",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(32), nullable=False, unique=True),
    Column("title", String(200), nullable=False),
    Column("revision", BigInteger, nullable=False),  # of the newest commit that touched the saw
)


def _fact(name: str, *columns: Column[Any], key: tuple[str, ...] = ()) -> Table:
    return Table(
        name,
        metadata,
        Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
        Column("start_us", BigInteger, primary_key=True, autoincrement=False),
        *(Column(k, String(64), primary_key=True) for k in key),
        Column("end_us", BigInteger),  # null: still going on
        *columns,
        sqlite_with_rowid=False,
    )


run = _fact(
    "run",
    Column("inrush_ma", Integer),
    Column("stop_us", BigInteger),
    Column("cuts", Integer, nullable=False),
)
cut = _fact(
    "cut",
    Column("direction", String(16), nullable=False),
    Column("mean_ma", Integer, nullable=False),
    Column("peak_ma", Integer, nullable=False),
    Column("idle_ma", Integer, nullable=False),
    Column("lock_moved", Boolean, nullable=False),
    Column("station", Integer),
)
door_visit = _fact(
    "door_visit",
    Column("current_seen", Boolean, nullable=False),
    Column("before_stop", Boolean, nullable=False),
)
conflict = _fact("conflict", key=("what",))
gap = _fact("gap")

checkpoint = Table(
    "checkpoint",
    metadata,
    Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
    Column("consumed_us", BigInteger),  # null: nothing consumed yet
    Column("state", LargeBinary),
)

rest = Table(  # times at which the detector was at rest: where a derivation may start afresh
    "rest",
    metadata,
    Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
    Column("at_us", BigInteger, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)

dirty = Table(  # stretches whose trace changed and whose facts are not yet derived again
    "dirty",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("saw_id", ForeignKey(saw.c.id), nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("to_us", BigInteger, nullable=False),
    Index(None, "saw_id", "from_us"),
)

receipt = Table(  # when packs with relative times were first received, so that a redelivery says the same times
    "receipt",
    metadata,
    Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
    Column("mid", Integer, primary_key=True, autoincrement=False),  # MQTT packet identifier: 65 535 rows at most
    Column("digest", LargeBinary, nullable=False),
    Column("received_us", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

now = Table(  # one row a saw
    "now",
    metadata,
    Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
    Column("at_us", BigInteger),  # newest reading; null: nothing heard yet
    Column("state", String(16)),
    Column("since_us", BigInteger),
    Column("amps_ma", Integer),
    Column("locked", Boolean),
    Column("station", Integer),
    Column("door_closed", Boolean),
    Column("clock_skew_us", BigInteger),  # newest reading minus its receipt; null: never heard live
)

box = Table(  # one row a saw: what the box said of itself
    "box",
    metadata,
    Column("saw_id", ForeignKey(saw.c.id), primary_key=True, autoincrement=False),
    Column("urn", String(255)),
    Column("online", Boolean),
    Column("since_us", BigInteger),  # when ``online`` became what it is
)

refusal = Table(  # the newest refusals, folded: what the installer reads
    "refusal",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("topic", String(256), nullable=False),
    Column("saw", String(32)),  # null: no saw of ours
    Column("code", String(64), nullable=False),
    Column("reason", Text, nullable=False),
    Column("first_us", BigInteger, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("occurrences", BigInteger, nullable=False),
    Column("excerpt", LargeBinary, nullable=False),
    Index(None, "topic", "code"),
    Index(None, "last_us"),
)

refusal_count = Table(  # every refusal ever, never pruned
    "refusal_count",
    metadata,
    Column("saw", String(32), primary_key=True),  # "": no saw of ours
    Column("code", String(64), primary_key=True),
    Column("count", BigInteger, nullable=False),
)

plan = Table(
    "plan",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("valid_from_us", BigInteger, nullable=False),
    Column("body", Text, nullable=False),  # JSON
    UniqueConstraint("valid_from_us"),
)

revision = Table(  # one row; every commit adds one
    "revision",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("value", BigInteger, nullable=False),
)
