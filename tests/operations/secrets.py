"""A book with an owner and a program's token."""

from __future__ import annotations

import time

from api.door.door import Door
from api.door.rights import Right
from collector.book.book import Book
from collector.book.people import PeopleBook


def make(url: str, password: str) -> str:
    """Make it; Ana is the owner. Returns the token."""
    with Book(url) as book:
        door = Door(PeopleBook(book), lambda: time.time_ns() // 1000)
        door.first_owner(door.new_first_code(), "Ana", password, "127.0.0.1")
        return door.token("monitoring", "Ana", {Right.SEE}, None).secret
