"""From where facts are derived again, and what waits for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, insert, select, union_all

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import Stretch
from collector.book.keyed import Keyed
from collector.book.overlap import overlapping
from collector.book.rows import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping


class RestBook(Keyed):
    """Rest points and dirty stretches; a part of `collector.book.book.Book`."""

    def rest_before(self, saw: str, at_us: int) -> int | None:
        """The newest rest point before ``at_us`` that no fact spans: from there facts may be derived afresh."""
        t = schema.rest
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            while saw_id is not None:
                newest = select(func.max(t.c.at_us)).where(t.c.saw_id == saw_id, t.c.at_us < at_us)
                point = connection.execute(newest).scalar()
                if point is None:
                    return None
                spanning = [
                    row.start_us
                    for table in TABLES.values()
                    for row in overlapping(connection, table, saw_id, point, point + 1)
                    if row.start_us < point
                ]
                if not spanning:
                    return int(point)
                at_us = min(spanning) + 1
        return None

    def last_rest(self, saw: str) -> int | None:
        """The newest rest point."""
        row = self._one(saw, schema.rest, func.max(schema.rest.c.at_us).label("at_us"))
        return None if row is None else row.at_us

    def beginning(self, saw: str) -> int | None:
        """The earliest moment that the book knows of a saw: its first fact or rest point."""
        tables = (*((t, t.c.start_us) for t in TABLES.values()), (schema.rest, schema.rest.c.at_us))
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            firsts = [
                select(func.min(column).label("at_us")).where(table.c.saw_id == saw_id) for table, column in tables
            ]
            found = connection.execute(select(func.min(union_all(*firsts).subquery().c.at_us))).scalar()
        return None if found is None else int(found)

    def rests(self, saw: str, after_us: int, limit: int = 64) -> list[int]:
        """The first ``limit`` rest points later than ``after_us``, in order."""
        t = schema.rest
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            query = select(t.c.at_us).where(t.c.saw_id == saw_id, t.c.at_us > after_us).order_by(t.c.at_us).limit(limit)
            return [] if saw_id is None else list(connection.execute(query).scalars())

    def mark_dirty(self, spans: Mapping[str, tuple[int, int]]) -> dict[str, Stretch]:
        """Notes, durably, that the trace between two readings changes or changed and must be derived again.

        Args:
            spans: first and last reading, by saw.

        Raises:
            BookError: a saw is not registered.
        """
        marked = {}
        with writing(self._engine) as connection:
            for saw, (from_us, to_us) in spans.items():
                values = {"saw_id": self._id(connection, saw), "from_us": from_us, "to_us": to_us}
                key = connection.execute(insert(schema.dirty).values(values)).inserted_primary_key
                assert key is not None
                marked[saw] = Stretch(from_us, to_us, key[0])
        return marked

    def dirty_saws(self) -> list[str]:
        """The saws that have dirty stretches, in order of their names."""
        query = select(schema.saw.c.name).where(schema.saw.c.id.in_(select(schema.dirty.c.saw_id)))
        with reading(self._engine) as connection:
            return list(connection.execute(query.order_by(schema.saw.c.name)).scalars())

    def dirty(self, saw: str) -> list[Stretch]:
        """The saw's dirty stretches, in order of their starts."""
        t = schema.dirty
        with reading(self._engine) as connection:
            query = select(t.c.from_us, t.c.to_us, t.c.id).where(t.c.saw_id == self._find(connection, saw))
            return [Stretch(*row) for row in connection.execute(query.order_by(t.c.from_us, t.c.id))]
