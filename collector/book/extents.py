"""From when to when the book knows of each saw, in one statement for all of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, select

from collector.book import schema
from collector.book.engine import reading
from collector.book.rows import TABLES

if TYPE_CHECKING:
    from sqlalchemy import Engine

_FIRSTS = [
    select(func.min(column)).where(table.c.saw_id == schema.saw.c.id).correlate(schema.saw).scalar_subquery()
    for table, column in (*((t, t.c.start_us) for t in TABLES.values()), (schema.rest, schema.rest.c.at_us))
]
_QUERY = (
    select(schema.saw.c.name, schema.now.c.at_us, schema.now.c.clock_skew_us, *_FIRSTS)
    .join_from(schema.saw, schema.now)
    .where(schema.now.c.at_us.is_not(None))
)


def extents(engine: Engine) -> dict[str, tuple[int, int, int | None]]:
    """Of every saw that was ever heard: first moment, newest reading, and its time less that of its receipt [µs UTC].

    The book keeps no first reading, but what was derived from it begins there: with a fact, or, where the motor was
    off, with the first rest point, half a minute in.
    """
    with reading(engine) as connection:
        return {
            name: (min([at, *(first for first in firsts if first is not None)]), at, skew)
            for name, at, skew, *firsts in connection.execute(_QUERY)
        }
