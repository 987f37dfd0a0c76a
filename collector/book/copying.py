"""Copies a whole book into another database, whatever tables it has, and proves that both hold the same.

Everything is written in one transaction: a copy that is broken off leaves the target as it was, and is begun again.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from sqlalchemy import Boolean, Connection, Integer, Table, delete, func, insert, select

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.whole import whole_schema
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.book.book import Book

_ROWS = 5000  # so many are in memory at a time


@dataclass(frozen=True, slots=True)
class Sum:
    """What a table holds: how many rows, and a checksum that depends on no order of them."""

    rows: int
    digest: str


def sums(book: Book) -> dict[str, Sum]:
    """Count and checksum of every table, by its name."""
    with reading(book.engine) as connection:
        return {table.name: _sum(connection, table) for table in whole_schema().sorted_tables}


def copy_book(source: Book, target: Book, told: Callable[[str, int], None] = lambda _table, _rows: None) -> bool:
    """Copies every row of every table into a book that nobody used yet, and compares both.

    Args:
        source: read at one moment; others may write meanwhile, and what they write is not copied.
        target: a book of this program's schema without saws, or one that holds the same already.
        told: is told each table and its number of rows when it is copied.

    Returns:
        whether anything was copied; not, where the target holds the same already.

    Raises:
        BookError: the target holds something else, or not the same came out; the target is as it was.
    """
    with reading(source.engine) as old:
        return copy_rows(old, target, told)


def copy_rows(old: Connection, target: Book, told: Callable[[str, int], None] = lambda _table, _rows: None) -> bool:
    """As `copy_book`, from the moment that a transaction sees."""
    tables = whole_schema().sorted_tables
    wanted = {table.name: _sum(old, table) for table in tables}
    with writing(target.engine) as new:
        if new.execute(select(schema.saw.c.id).limit(1)).first() is not None:
            found = {table.name: _sum(new, table) for table in tables}
            if found == wanted:
                return False
            differing = ", ".join(name for name in wanted if found[name] != wanted[name])
            raise BookError(
                later(
                    "the book at {url} is in use and holds something else (in {tables}); give the copy an empty "
                    "database"
                ),
                url=repr(target.engine.url),
                tables=differing,
            )
        for table in reversed(tables):
            new.execute(delete(table))  # the rows that a migration puts into a new book
        for table in tables:
            _copy(old, new, table)
            told(table.name, wanted[table.name].rows)
        found = {table.name: _sum(new, table) for table in tables}
        if found != wanted:
            differing = ", ".join(name for name in wanted if found[name] != wanted[name])
            raise BookError(later("the copy differs from the book in {tables}; nothing was changed"), tables=differing)
    return True


def _rows(connection: Connection, table: Table) -> Any:
    streaming = connection.execution_options(yield_per=_ROWS)
    return streaming.execute(select(table).order_by(*table.primary_key.columns))


def _copy(old: Connection, new: Connection, table: Table) -> None:
    for rows in _rows(old, table).mappings().partitions(_ROWS):
        new.execute(insert(table), [dict(row) for row in rows])
    key = table.autoincrement_column
    if key is not None and new.dialect.name == "postgresql" and isinstance(key.type, Integer):
        # The sequence has not seen the numbers that came with the rows.
        sequence = func.pg_get_serial_sequence(table.name, key.name)
        last = select(func.setval(sequence, func.max(key))).having(func.max(key).is_not(None))
        new.execute(last)


def _sum(connection: Connection, table: Table) -> Sum:
    flags = [isinstance(column.type, Boolean) for column in table.columns]
    total = rows = 0
    for row in _rows(connection, table):
        values = [_plain(value, flag) for value, flag in zip(row, flags, strict=True)]
        total += int.from_bytes(sha256(repr(values).encode()).digest())
        rows += 1
    return Sum(rows, f"{total % (1 << 256):064x}")


def _plain(value: Any, flag: bool) -> Any:
    """The same for every driver."""
    if isinstance(value, memoryview | bytearray):
        return bytes(value)
    return bool(value) if flag and value is not None else value
