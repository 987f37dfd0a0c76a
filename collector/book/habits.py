"""What each saw was seen to do over and over, as it was learned: append-only, the newest version is at work."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, Table, Text, insert, select

from collector.book.engine import reading
from collector.book.schema import dirty, metadata, run, saw
from collector.detect.habits import Habits

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from collector.book.book import Book

saw_habits = Table(
    "saw_habits",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("saw_id", ForeignKey(saw.c.id), nullable=False),
    Column("valid_from_us", BigInteger, nullable=False),
    Column("habits", Text, nullable=False),  # JSON: `collector.detect.habits.Habits` by its names
    Column("stops", Integer, nullable=False),
    Column("brakes", Integer, nullable=False),
    Column("cuts", Integer, nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("to_us", BigInteger, nullable=False),
    Column("learned_us", BigInteger, nullable=False),
    Index(None, "saw_id", "id"),
)


@dataclass(frozen=True, slots=True)
class Learned:
    """Habits of one saw, and what they were learned from.

    Attributes:
        saw: the saw's name.
        valid_from: facts from here on are derived with them, µs UTC.
        habits: what is known.
        stops: at so many stops it was looked,
        brakes: at so many of them a brake was found,
        cuts: and at so many cuts;
        first: start of the first of these runs, µs UTC,
        last: end of the last one.
        at: when it was learned, µs UTC.
    """

    saw: str
    valid_from: int
    habits: Habits
    stops: int
    brakes: int
    cuts: int
    first: int
    last: int
    at: int


class HabitHistory:
    """The habits of the saws in a book.

    Args:
        book: the book, open.
    """

    def __init__(self, book: Book) -> None:
        self._book = book

    def add(
        self, new: Learned, again: tuple[int, int] | None, fence: Callable[[Connection], None] | None = None
    ) -> None:
        """Writes a version, and in the same transaction the mark of the readings that it says something else about.

        Args:
            new: the version.
            again: first and last reading whose facts are to be derived again (`Book.mark_dirty`); None: none.
            fence: as for `Book.commit`.

        Raises:
            BookError: the saw is not registered, or the fence is closed.
        """
        with self._book.saying(new.saw) as (connection, saw_id):
            if fence is not None:
                fence(connection)
            row = {
                "saw_id": saw_id,
                "valid_from_us": new.valid_from,
                "habits": json.dumps(asdict(new.habits), sort_keys=True),
                "stops": new.stops,
                "brakes": new.brakes,
                "cuts": new.cuts,
                "from_us": new.first,
                "to_us": new.last,
                "learned_us": new.at,
            }
            connection.execute(insert(saw_habits).values(row))
            if again is not None:
                connection.execute(insert(dirty).values(saw_id=saw_id, from_us=again[0], to_us=again[1]))

    def versions(self, name: str) -> list[Learned]:
        """All versions of a saw, the one at work first."""
        t = saw_habits.c
        query = select(saw_habits).join_from(saw_habits, saw, t.saw_id == saw.c.id).where(saw.c.name == name)
        with reading(self._book.engine) as connection:
            return [_learned(name, row) for row in connection.execute(query.order_by(t.id.desc()))]

    def newest(self, name: str) -> Learned | None:
        """The version at work; None: nothing was learned of the saw yet."""
        t = saw_habits.c
        query = select(saw_habits).join_from(saw_habits, saw, t.saw_id == saw.c.id).where(saw.c.name == name)
        with reading(self._book.engine) as connection:
            row = connection.execute(query.order_by(t.id.desc()).limit(1)).first()
        return None if row is None else _learned(name, row)

    def at(self, name: str, at_us: int) -> Learned | None:
        """The version that was at work at a time, or the one learned first after it."""
        found = self.versions(name)
        return next((v for v in found if v.valid_from <= at_us), found[-1] if found else None)

    def runs(self, name: str, over_us: int, limit: int) -> list[tuple[int, int]]:
        """Starts and ends of the newest ``limit`` runs that were over at a time, in order."""
        query = (
            select(run.c.start_us, run.c.end_us)
            .join_from(run, saw, run.c.saw_id == saw.c.id)
            .where(saw.c.name == name, run.c.start_us < over_us, run.c.end_us <= over_us)
            .order_by(run.c.start_us.desc())
            .limit(limit)
        )
        with reading(self._book.engine) as connection:
            return [(start, end) for start, end in connection.execute(query)][::-1]


def _learned(name: str, row: Any) -> Learned:
    said = json.loads(row.habits)
    known: dict[str, Any] = {}
    for field in (f.name for f in fields(Habits) if f.name in said):  # another version may have known less or more
        known[field] = tuple(said[field]) if isinstance(said[field], list) else said[field]
    return Learned(
        name,
        row.valid_from_us,
        Habits(**known),
        row.stops,
        row.brakes,
        row.cuts,
        row.from_us,
        row.to_us,
        row.learned_us,
    )
