"""Which days of a saw were written to another database as they are, so that only others need be looked at.

A row is made before the day's facts are read and confirmed after they were written. Whatever changes facts strikes the
rows out that it could touch, in the same transaction (`collector.book.sums.strike`): a day changed meanwhile has no row
to confirm and is done again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Table, bindparam, delete, insert, select, update

from collector.book import schema
from collector.book.engine import reading, writing

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

_DAY_US = 86_400_000_000

mirrored = Table(
    "mirrored",
    schema.metadata,
    Column("saw_id", ForeignKey(schema.saw.c.id), primary_key=True, autoincrement=False),
    Column("day_us", BigInteger, primary_key=True, autoincrement=False),  # start of the day, UTC
    Column("done", Boolean, nullable=False),
    sqlite_with_rowid=False,
)

_TOUCHED = delete(mirrored).where(
    mirrored.c.saw_id == bindparam("saw"),
    mirrored.c.day_us > bindparam("low"),
    mirrored.c.day_us < bindparam("high"),
)


def strike_days(connection: Connection, changes: list[dict[str, int]]) -> None:
    """Strike out the days that overlap periods: ``saw``, ``low`` and ``high`` [µs UTC] each."""
    if changes:
        connection.execute(_TOUCHED, [{**change, "low": change["low"] - _DAY_US} for change in changes])


class MirroredDays:
    """The days in a book.

    Args:
        engine: of the book.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def done(self, saw: str) -> set[int]:
        """Starts of the days that need not be looked at."""
        t = mirrored.c
        query = select(t.day_us).join(schema.saw, schema.saw.c.id == t.saw_id).where(schema.saw.c.name == saw, t.done)
        with reading(self._engine) as connection:
            return set(connection.execute(query).scalars())

    def begin(self, saw: str, day_us: int) -> None:
        """Before the facts of a day are read."""
        with writing(self._engine, durable=False) as connection:
            saw_id = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar_one()
            connection.execute(delete(mirrored).where(mirrored.c.saw_id == saw_id, mirrored.c.day_us == day_us))
            connection.execute(insert(mirrored).values(saw_id=saw_id, day_us=day_us, done=False))

    def confirm(self, saw: str, day_us: int) -> bool:
        """After they were written; False: the facts changed meanwhile, do the day again."""
        saw_id = select(schema.saw.c.id).where(schema.saw.c.name == saw).scalar_subquery()
        row = (mirrored.c.saw_id == saw_id, mirrored.c.day_us == day_us)
        with writing(self._engine, durable=False) as connection:
            return connection.execute(update(mirrored).where(*row).values(done=True)).rowcount == 1
