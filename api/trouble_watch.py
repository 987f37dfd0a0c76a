"""What the collector noted of its own troubles, as conditions for the watch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.alerts import Condition, Key
from collector.book.troubles import TroubleBook

if TYPE_CHECKING:
    from collector.book.book import Book
    from collector.book.troubles import Trouble


class TroubleWatch:
    """Conditions of the collector and its boxes, for `api.watch.Watch`: of a saw, and of the site (saw ``""``)."""

    def __init__(self, book: Book) -> None:
        self._book = TroubleBook(book)
        self._read: tuple[int, int] | None = None
        self._rows: list[Trouble] = []

    def conditions(self, saw: str, start: int, now: int) -> list[Condition]:
        """Conditions that are on, or began or ended after ``start``."""
        if self._read is None or self._read[0] != now or self._read[1] > start:  # once a look, not once a saw
            self._rows, self._read = self._book.since(start), (now, start)
        return [
            Condition(Key(row.kind, saw), row.begun_us, row.ended_us, {"said": row.said})
            for row in self._rows
            if row.saw == saw and (row.ended_us is None or row.ended_us >= start)
        ]
