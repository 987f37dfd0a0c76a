from __future__ import annotations

import pytest

from collector.book import Book, SawEntry


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.real)])
def url(request, tmp_path):
    """A database that is not there yet."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path}/book.db"
        return
    postgres = request.getfixturevalue("postgres")
    made = postgres.empty()
    yield made
    postgres.drop(made)


@pytest.fixture
def book(book_url):
    with Book(book_url) as book:
        book.open_saws([SawEntry("heron", "Heron"), SawEntry("plover")])
        yield book
