"""Erasing a person: their name leaves every column that says it, and is counted where people wrote it themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from collector.book.schema import metadata

if TYPE_CHECKING:
    from sqlalchemy import Column

    from collector.book.people import Erased, PeopleBook

NAMES = frozenset({"who", "made_by"})
"""Columns that hold the name of a person, in whichever table (a test looks for others)."""
NOTES = frozenset({"note"})
"""Columns of what people wrote with their own hands."""


def columns(names: frozenset[str] = NAMES) -> list[Column[Any]]:
    """All columns of the book that hold names of people, or others by their names."""
    return [column for table in metadata.sorted_tables for column in table.columns if column.name in names]


def erase(book: PeopleBook, person: int, now_us: int) -> Erased:
    """Puts ``person N`` in place of a name wherever the book says it.

    What people wrote into notes is theirs and stays: it is only told how many of them have the name.

    Raises:
        collector.book.entries.BookError: there is no such person.
        collector.book.people.LastOwnerError: it is the last owner.
    """
    return book.erase(person, now_us, columns(), columns(NOTES))
