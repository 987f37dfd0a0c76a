"""Faults that people report from the saw, in the book: append-only; what closes one is a row that names it.

*Fault* in the sense of EN 13306: an item cannot do, or cannot do well, what is required of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, String, Table, Text, func, insert, select, update

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.words import later

if TYPE_CHECKING:
    from collector.book.book import Book

fault = Table(
    "fault",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("saw", String(32), nullable=False),
    Column("what", String(32), nullable=False),
    Column("note", Text, nullable=False),
    Column("who", String(64), nullable=False),
    Column("role", String(32), nullable=False),
    Column("said_us", BigInteger, nullable=False),
    Column("closes", ForeignKey("fault.id"), unique=True),  # null: it reports one
    Column("token", String(64), unique=True),  # made by the sender: sent twice it counts once
    Index(None, "saw", "said_us"),
)


@dataclass(frozen=True, slots=True)
class FaultRow:
    """A fault that somebody reports, or that one is dealt with: then ``closes`` is its number."""

    saw: str
    what: str
    note: str
    who: str
    role: str
    said_us: int
    closes: int | None = None
    token: str | None = None
    id: int = 0


class FaultBook:
    """The faults in an open book; safe to use from many threads, as the book is."""

    def __init__(self, book: Book) -> None:
        self._engine = book.engine

    def add(self, row: FaultRow) -> int:
        """Writes down what somebody said; sent again with the same token it is the same row.

        Returns:
            Its number; where somebody else has closed that fault already, the number of that row.

        Raises:
            BookError: it closes a fault that does not exist, or one of another saw.
        """
        with writing(self._engine) as connection:
            for column, value in ((fault.c.token, row.token), (fault.c.closes, row.closes)):
                known = (
                    None if value is None else connection.execute(select(fault.c.id).where(column == value)).scalar()
                )
                if known is not None:
                    return int(known)
            if row.closes is not None:
                found = connection.execute(
                    select(fault.c.saw, fault.c.closes).where(fault.c.id == row.closes)
                ).one_or_none()
                if found is None or tuple(found) != (row.saw, None):
                    raise BookError(
                        later("there is no fault {fault} at {saw} that could be dealt with"),
                        fault=row.closes,
                        saw=row.saw,
                    )
            values = {c.name: getattr(row, c.name) for c in fault.c if c.name != "id"}
            key = connection.execute(insert(fault).values(values)).inserted_primary_key
            connection.execute(update(schema.revision).values(value=schema.revision.c.value + 1))
            assert key is not None
            return int(key[0])

    def rows(self, saw: str | None = None) -> list[FaultRow]:
        """Everything said, in the order in which it was said; of one saw, or of all."""
        query = select(fault).order_by(fault.c.id)
        if saw is not None:
            query = query.where(fault.c.saw == saw)
        with reading(self._engine) as connection:
            return [FaultRow(**{c.name: getattr(r, c.name) for c in fault.c}) for r in connection.execute(query)]

    def newest(self) -> int:
        """The number of the newest row; grows with every word."""
        with reading(self._engine) as connection:
            return int(connection.execute(select(func.max(fault.c.id))).scalar() or 0)
