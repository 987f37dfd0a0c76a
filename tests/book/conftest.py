from __future__ import annotations

import pytest

from collector.book import Book, SawEntry


@pytest.fixture
def url(tmp_path):
    """A database that is not there yet."""
    return f"sqlite:///{tmp_path}/book.db"


@pytest.fixture
def book(url):
    with Book(url) as book:
        book.open_saws([SawEntry("heron", "Heron"), SawEntry("plover")])
        yield book
