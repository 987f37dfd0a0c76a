"""Packs from the future, kept as they came: it may be this computer's clock that is wrong, and not the box's."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import BigInteger as Micros
from sqlalchemy import Column, Index, Integer, LargeBinary, String, Table, delete, insert, select

from collector.book import schema
from collector.book.engine import reading, writing

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from collector.book.book import Book

KEPT = 20_000
"""So many packs of a saw are held, some five and a half hours of a box that sends one a second; the oldest leave."""
_PRUNE_EVERY = 500

held_pack = Table(
    "held_pack",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("saw", String(32), nullable=False),
    Column("boot", String(64), nullable=False),
    Column("ticks_us", Micros, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Index(None, "saw", "id"),
)


class Held(NamedTuple):
    """A pack of a saw, received ``ticks_us`` after the machine's start ``boot`` (`collector.ticks`)."""

    saw: str
    boot: str
    ticks_us: int
    payload: bytes
    id: int = 0


class HeldPacks:
    """The held packs in an open book."""

    def __init__(self, book: Book) -> None:
        self._engine = book.engine
        self._unpruned: dict[str, int] = {}

    def add(self, packs: Iterable[Held]) -> None:
        """Keeps packs, durably."""
        rows = [dict(zip(Held._fields[:4], pack, strict=False)) for pack in packs]
        with writing(self._engine) as connection:
            connection.execute(insert(held_pack), rows)
            t = held_pack.c
            for row in rows:
                saw = str(row["saw"])
                self._unpruned[saw] = self._unpruned.get(saw, _PRUNE_EVERY) + 1
                if self._unpruned[saw] > _PRUNE_EVERY:
                    self._unpruned[saw] = 0
                    last = (
                        select(t.id).where(t.saw == saw).order_by(t.id.desc()).offset(KEPT).limit(1).scalar_subquery()
                    )
                    connection.execute(delete(held_pack).where(t.saw == saw, t.id <= last))

    def after(self, key: int, limit: int = 500) -> list[Held]:
        """The first ``limit`` packs with a larger ``id``, in the order in which they came."""
        t = held_pack.c
        query = select(t.saw, t.boot, t.ticks_us, t.payload, t.id).where(t.id > key).order_by(t.id).limit(limit)
        with reading(self._engine) as connection:
            return [Held(*row) for row in connection.execute(query)]

    def let_go(self, packs: Sequence[Held]) -> None:
        """Forgets packs that were taken in."""
        with writing(self._engine) as connection:
            connection.execute(delete(held_pack).where(held_pack.c.id.in_([pack.id for pack in packs])))
