"""Erasing a person: their name leaves every table that says it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from collector.book.schema import metadata

if TYPE_CHECKING:
    from sqlalchemy import Column

    from collector.book.people import PeopleBook

NAMES = frozenset({"who", "made_by"})
"""Columns that hold the name of a person, in whichever table (a test looks for others)."""


def columns() -> list[Column[Any]]:
    """All columns of the book that hold names of people."""
    return [column for table in metadata.sorted_tables for column in table.columns if column.name in NAMES]


def erase(book: PeopleBook, person: int, now_us: int) -> str:
    """Puts ``person N`` in place of a name wherever the book says it.

    What people wrote into notes with their own hands is not searched.

    Raises:
        collector.book.entries.BookError: there is no such person.
        collector.book.people.LastOwnerError: it is the last owner.
    """
    return book.erase(person, now_us, columns())
