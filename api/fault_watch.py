"""What people report from the saw, as conditions for the watch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.faults import conditions
from collector.book.faults import FaultBook

if TYPE_CHECKING:
    from api.answers.alerts import Condition
    from collector.book.book import Book
    from collector.book.faults import FaultRow


class FaultWatch:
    """Conditions of reported faults, for `api.watch.Watch`; the rows are read again when there is a new one."""

    def __init__(self, book: Book) -> None:
        self._book = FaultBook(book)
        self._newest = -1
        self._rows: list[FaultRow] = []

    def conditions(self, saw: str, start: int, now: int) -> list[Condition]:
        """Conditions of a saw that are on, or began or ended after ``start``."""
        newest = self._book.newest()
        if newest != self._newest:
            self._rows, self._newest = self._book.rows(), newest
        return list(conditions(saw, self._rows, start, now))
