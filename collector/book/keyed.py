"""A book's engine, and the saws' keys in it: what every part of `collector.book.book.Book` needs."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Engine, Table, select

from collector.book import schema
from collector.book.engine import reading
from collector.book.entries import BookError
from collector.words import later


class Keyed:
    """Remembers the keys, which never change.

    Args:
        engine: of the book.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._ids: dict[str, int] = {}

    def _find(self, connection: Connection, saw: str) -> int | None:
        if (saw_id := self._ids.get(saw)) is None:
            saw_id = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar()
            if saw_id is not None:
                self._ids[saw] = saw_id
        return saw_id

    def _id(self, connection: Connection, saw: str) -> int:
        saw_id = self._find(connection, saw)
        if saw_id is None:
            raise BookError(later("the book knows no saw {saw}; register it with open_saws first"), saw=repr(saw))
        return saw_id

    def _one(self, saw: str, table: Table, *columns: Any) -> Any:
        with reading(self._engine) as connection:
            query = select(*columns).where(table.c.saw_id == self._find(connection, saw))
            return connection.execute(query).one_or_none()
