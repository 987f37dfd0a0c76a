"""Several processes that start at once on a new book: what each of them writes where nothing is, is there once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import TYPE_CHECKING

from collector.book import Book, SawEntry
from collector.book.maintenance import MaintenanceBook, TaskRow
from collector.book.people import PeopleBook

if TYPE_CHECKING:
    from collections.abc import Callable

SAWS = [SawEntry(f"saw-{n}", f"Saw {n}") for n in range(20)]
AT_ONCE = 6


def test_saws_plan_tasks_and_keys_are_written_once(book_url):
    Book(book_url).close()
    books = [Book(book_url) for _ in range(AT_ONCE)]

    def all_at_once(work: Callable[[int, Book], object]) -> list[object]:
        ready = Barrier(AT_ONCE)

        def one(n: int) -> object:
            ready.wait()
            return work(n, books[n])

        with ThreadPoolExecutor(AT_ONCE) as threads:
            return list(threads.map(one, range(AT_ONCE)))

    all_at_once(lambda n, book: book.open_saws(SAWS[n:] + SAWS[:n]))
    assert {entry.name for entry in books[0].saws()} == {entry.name for entry in SAWS}
    renamed = [SawEntry(entry.name, entry.title.upper()) for entry in SAWS]
    all_at_once(lambda n, book: book.open_saws(renamed[n:] + renamed[:n]))
    assert {entry.title for entry in books[0].saws()} == {entry.title for entry in renamed}

    all_at_once(lambda _, book: book.put_plan({"shifts": []}, 0))
    assert len(books[0].plans()) == 1

    rows = [TaskRow("clean", 0, {}, "", 0)]
    written = all_at_once(lambda _, book: MaintenanceBook(book).put_tasks(rows, only_if_empty=True))
    assert sorted(written) == [False] * (AT_ONCE - 1) + [True]
    assert len(MaintenanceBook(books[0]).tasks()) == 1

    assert len(set(all_at_once(lambda n, book: PeopleBook(book).key("cookies", f"key {n}")))) == 1
    all_at_once(lambda n, book: PeopleBook(book).set_key("first owner", f"code {n}", 2**60))
    counted = {"somebody": (AT_ONCE - 1, 10**6, 10**6)}
    let_in = all_at_once(lambda _, book: PeopleBook(book).knocked(counted, 1)).count(0)
    assert let_in == AT_ONCE - 1  # an attempt that was lost would let in one more
    for book in books:
        book.close()
