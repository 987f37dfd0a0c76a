"""What went wrong with the collector itself, in the book, so that whoever watches can tell people.

A trouble has a kind, a saw (``""``: the whole site), a begin and an end (None: it goes on), and a sentence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import (
    BigInteger,
    Column,
    Index,
    Integer,
    String,
    Table,
    Text,
    delete,
    func,
    insert,
    or_,
    select,
    update,
)

from collector.book import schema
from collector.book.engine import reading, writing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.book.book import Book

KEPT = 1000
"""So many troubles are kept; older ones leave."""

trouble = Table(
    "trouble",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(32), nullable=False),
    Column("saw", String(32), nullable=False),
    Column("begun_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),  # null: it goes on
    Column("said", Text, nullable=False),
    Index(None, "ended_us"),
)


@dataclass(slots=True)
class Trouble:
    """Something went wrong from ``begun_us`` to ``ended_us`` (None: still) [µs UTC]; ``id`` 0: not in the book yet."""

    kind: str
    saw: str
    begun_us: int
    ended_us: int | None
    said: str
    id: int = 0


class TroubleBook:
    """The troubles in an open book; safe to use from many threads, as the book is."""

    def __init__(self, book: Book) -> None:
        self._engine = book.engine

    def write(self, troubles: Iterable[Trouble]) -> None:
        """Adds those without a number, which they are given, and brings the others up to date."""
        numbers: list[tuple[Trouble, int]] = []
        with writing(self._engine) as connection:
            for one in troubles:
                values = {
                    "kind": one.kind,
                    "saw": one.saw,
                    "begun_us": one.begun_us,
                    "ended_us": one.ended_us,
                    "said": one.said,
                }
                if one.id:
                    connection.execute(update(trouble).where(trouble.c.id == one.id).values(values))
                    continue
                key = connection.execute(insert(trouble).values(values)).inserted_primary_key
                assert key is not None
                numbers.append((one, int(key[0])))
            newest = select(func.max(trouble.c.id)).scalar_subquery()
            connection.execute(delete(trouble).where(trouble.c.id <= newest - KEPT))
        for one, number in numbers:  # now that it is in the book: a full disk shows at the commit
            one.id = number

    def end_all(self, at_us: int) -> None:
        """Ends whatever goes on: the process that noted it is no more."""
        with writing(self._engine) as connection:
            connection.execute(update(trouble).where(trouble.c.ended_us.is_(None)).values(ended_us=at_us))

    def since(self, start_us: int) -> list[Trouble]:
        """Troubles that go on or ended at ``start_us`` or later, in the order in which they were noted."""
        t = trouble.c
        columns = (t.kind, t.saw, t.begun_us, t.ended_us, t.said, t.id)
        query = select(*columns).where(or_(t.ended_us.is_(None), t.ended_us >= start_us)).order_by(t.id)
        with reading(self._engine) as connection:
            return [Trouble(*row) for row in connection.execute(query)]

    def newest(self, kind: str) -> int | None:
        """When a trouble of this kind began last [µs UTC]; None: never, or too long ago to be kept."""
        with reading(self._engine) as connection:
            found = connection.execute(select(func.max(trouble.c.begun_us)).where(trouble.c.kind == kind)).scalar()
        return None if found is None else int(found)
