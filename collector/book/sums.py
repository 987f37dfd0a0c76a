"""Sums of days that are over, kept so that a year is answered by adding up 365 rows a saw.

A row is what was reckoned from the facts that the book held. Whatever changes facts strikes the rows out that it could
touch, in the same transaction (`strike`): a row in the book is true. What else a row depends on, plan and settings, is
named by its ``basis``; who reads asks for the basis of today.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    bindparam,
    delete,
    insert,
    literal,
    select,
    update,
)

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.mirrored import strike_days
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray
    from sqlalchemy import Connection, Engine, Select

MEASURES = (
    "planned", "known", "cutting", "in_use", "handling", "door", "extra",
    "motor_idle", "idle_known", "idle_charge", "cut_charge", "vertical", "horizontal", "unknown",
)  # fmt: skip
"""Columns of a row, in order; `api.answers.measures` says what each is."""

REACH_US = 3600 * SECOND
"""A fact that is no more than this before or after a day can change the day's sums; no farther one can."""

_EVER = 2**62
WHOLE_DAY = 0
"""The part of a day that is all of it; 1, 2, … are its shifts."""

day_sum = Table(
    "day_sum",
    schema.metadata,
    Column("saw_id", ForeignKey(schema.saw.c.id), primary_key=True, autoincrement=False),
    Column("start_us", BigInteger, primary_key=True, autoincrement=False),  # of the day
    Column("part", Integer, primary_key=True, autoincrement=False),
    Column("until_us", BigInteger, nullable=False),  # end of the day or of its last shift: what the row was made from
    Column("basis", String(32), nullable=False),
    *(Column(name, BigInteger, nullable=False) for name in MEASURES),
    Column("stretches", Text, nullable=False),  # JSON: the longest of each reason why it was not used
    Index(None, "saw_id", "until_us"),
    sqlite_with_rowid=False,
)

day_sum_version = Table(  # one row; raised whenever a sum comes or goes
    "day_sum_version",
    schema.metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("value", BigInteger, nullable=False),
)
_RAISE = update(day_sum_version).values(value=day_sum_version.c.value + 1)

# Live commits change everything from a moment of today on, ten times a second: theirs is a statement with one bound, so
# that no database looks through all days for the other one.
_STRIKE_ON = delete(day_sum).where(day_sum.c.saw_id == bindparam("saw"), day_sum.c.until_us > bindparam("low"))
_STRIKE = _STRIKE_ON.where(day_sum.c.start_us < bindparam("high"))


@dataclass(frozen=True, slots=True)
class DaySum:
    """One saw's day, or a shift of it: ``numbers`` in the order of `MEASURES`; ``stretches`` a JSON value."""

    start: int
    part: int
    until: int
    basis: str
    numbers: Sequence[int]
    stretches: object = ()


_STAMP = select(day_sum_version.c.value, schema.saw.c.name, schema.saw.c.revision).outerjoin_from(
    day_sum_version, schema.saw, literal(True)
)


@dataclass(frozen=True, slots=True)
class Stamp:
    """A moment of the book.

    Attributes:
        sums: a number that grows whenever a sum comes or goes.
        saws: by name, the revision of the newest commit that touched the saw.
    """

    sums: int
    saws: dict[str, int]


def strike(connection: Connection, changes: Iterable[tuple[int, int, int | None]]) -> None:
    """Strikes out what changed facts could touch.

    Call it after the book's revision has been raised: that is where writers queue, so a row made from the facts of
    before is in the book by now or never comes.

    Args:
        connection: the transaction that changes the facts.
        changes: key of a saw, first and last moment at which its facts differ; None: no last one.
    """
    on, between, days = [], [], []
    for saw_id, low, high in changes:
        days.append({"saw": saw_id, "low": low - REACH_US, "high": _EVER if high is None else high + REACH_US})
        if high is None:
            on.append({"saw": saw_id, "low": low - REACH_US})
        else:
            between.append({"saw": saw_id, "low": low - REACH_US, "high": high + REACH_US})
    struck = 0
    if on:
        struck += connection.execute(_STRIKE_ON, on).rowcount
    if between:
        struck += connection.execute(_STRIKE, between).rowcount
    if struck:
        connection.execute(_RAISE)
    strike_days(connection, days)


class Sums:
    """The sums in a book.

    Args:
        engine: of the book.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    @contextmanager
    def making(self, saw: str) -> Iterator[list[DaySum]]:
        """A transaction in which nobody else commits facts: reckon inside and append the rows to the list.

        Rows with the same start and part are replaced. Keep it short: a collector waits meanwhile.
        """
        made: list[DaySum] = []
        with writing(self._engine, durable=False) as connection:
            # The writers' queue, joined without raising the revision: nothing changed for any reader of facts.
            connection.execute(update(schema.revision).values(value=schema.revision.c.value))
            yield made
            saw_id = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar()
            if saw_id is None or not made:
                return
            t = day_sum.c
            starts = {row.start for row in made}
            connection.execute(delete(day_sum).where(t.saw_id == saw_id, t.start_us.in_(starts)))
            connection.execute(insert(day_sum), [_row(saw_id, row) for row in made])
            connection.execute(_RAISE)

    def stamp(self) -> Stamp:
        """What changes with every commit that answers could depend on."""
        with reading(self._engine) as connection:
            rows = connection.execute(_STAMP).all()
        return Stamp(rows[0][0], {name: revision for _, name, revision in rows if name is not None})

    def bases(self, start_us: int, end_us: int) -> dict[str, dict[int, str]]:
        """By saw, the days in ``[start_us, end_us)`` that have a sum: start of the day and basis."""
        t = day_sum.c
        query = select(schema.saw.c.name, t.start_us, t.basis).join_from(schema.saw, day_sum)
        query = query.where(t.part == WHOLE_DAY, t.start_us >= start_us, t.start_us < end_us)
        found: dict[str, dict[int, str]] = {}
        with reading(self._engine) as connection:
            for name, start, basis in connection.execute(query):
                found.setdefault(name, {})[start] = basis
        return found

    def days(self, saw: str, start_us: int, end_us: int) -> tuple[NDArray[np.int64], list[str]]:
        """Whole days that start in ``[start_us, end_us)``, in order.

        Returns:
            shape (n, 1 + len(MEASURES)), start of the day and its numbers; and the basis of each.
        """
        t = day_sum.c
        columns = (t.start_us, *(t[name] for name in MEASURES))
        query = self._of(saw, start_us, end_us).where(t.part == WHOLE_DAY).order_by(t.start_us)
        with reading(self._engine) as connection:
            rows = connection.execute(query.with_only_columns(t.basis, *columns)).all()
        flat = np.fromiter(chain.from_iterable(row[1:] for row in rows), np.int64, len(rows) * len(columns))
        return flat.reshape(-1, len(columns)), [row[0] for row in rows]

    def shifts(self, saw: str, start_us: int, end_us: int) -> list[DaySum]:
        """Shifts of the days that start in ``[start_us, end_us)``, without stretches, in order."""
        t = day_sum.c
        query = self._of(saw, start_us, end_us).where(t.part > WHOLE_DAY).order_by(t.start_us, t.part)
        columns = (t.start_us, t.part, t.until_us, t.basis, *(t[name] for name in MEASURES))
        with reading(self._engine) as connection:
            rows = connection.execute(query.with_only_columns(*columns))
            return [DaySum(row[0], row[1], row[2], row[3], tuple(row[4:])) for row in rows]

    def stretches(self, saw: str, start_us: int, end_us: int) -> list[tuple[int, str, object]]:
        """Of whole days that start in ``[start_us, end_us)``: start, basis, stretches."""
        t = day_sum.c
        query = self._of(saw, start_us, end_us).where(t.part == WHOLE_DAY).order_by(t.start_us)
        with reading(self._engine) as connection:
            rows = connection.execute(query.with_only_columns(t.start_us, t.basis, t.stretches))
            return [(start, basis, orjson.loads(text)) for start, basis, text in rows]

    @staticmethod
    def _of(saw: str, start_us: int, end_us: int) -> Select[Any]:
        t = day_sum.c
        return (
            select(day_sum)
            .join(schema.saw, schema.saw.c.id == t.saw_id)
            .where(schema.saw.c.name == saw, t.start_us >= start_us, t.start_us < end_us)
        )


def _row(saw_id: int, row: DaySum) -> dict[str, object]:
    return {
        "saw_id": saw_id,
        "start_us": row.start,
        "part": row.part,
        "until_us": row.until,
        "basis": row.basis,
        **dict(zip(MEASURES, (int(n) for n in row.numbers), strict=True)),
        "stretches": orjson.dumps(row.stretches).decode(),
    }
