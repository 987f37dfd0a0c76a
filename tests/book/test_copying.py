"""A book moves to another database with everything in it, or not at all."""

from __future__ import annotations

import pytest

from collector.book import Book, BookError, Checkpoint, RefusalEntry, SawCommit, SawEntry, schema
from collector.book.alerts import AlertBook, AlertRow, AlertWrite, EventRow, LetterRow
from collector.book.copying import copy_book, sums
from collector.book.engine import writing
from collector.book.whole import whole_schema
from tests.book.test_book import EVERYTHING


@pytest.fixture
def full(tmp_path):
    with Book(f"sqlite:///{tmp_path}/full.db") as book:
        book.open_saws([SawEntry("heron", "Heron \N{LATIN SMALL LETTER E WITH ACUTE}"), SawEntry("plover")])
        refusal = RefusalEntry("kerfbook/x/heron/readings", "heron", "not-json", "No JSON.", 5, 5, b"\x00\xff{oops")
        book.commit([SawCommit("heron", 0, None, EVERYTHING, checkpoint=Checkpoint(7, bytes(range(256))))], [refusal])
        AlertBook(book).write(
            [
                AlertWrite(
                    AlertRow("late", "heron", "", "raised", False, 1, 1),
                    [EventRow("raised", 1)],
                    [LetterRow("crew", "raised", 1, 1)],
                )
            ]
        )
        yield book


def test_a_copy_holds_the_same_facts_and_every_table_the_same_rows(full, book_url):
    with Book(book_url) as target:
        assert copy_book(full, target)
        assert sums(target) == sums(full)
        assert set(sums(target)) == set(whole_schema().tables)
        assert target.facts("heron", 0, 10_000) == full.facts("heron", 0, 10_000)
        assert target.checkpoint("heron") == Checkpoint(7, bytes(range(256)))


def test_what_is_written_after_the_copy_gets_numbers_of_its_own(full, book_url):
    with Book(book_url) as target:
        copy_book(full, target)
        target.open_saws([SawEntry("stilt")])
        AlertBook(target).write([AlertWrite(AlertRow("late", "stilt", "", "raised", False, 2, 2))])
        assert [s.name for s in target.saws()] == ["heron", "plover", "stilt"]
        assert len(AlertBook(target).standing()) == 2


def test_copying_again_changes_nothing_and_a_book_in_use_is_left_alone(full, book_url):
    with Book(book_url) as target:
        assert copy_book(full, target)
        assert not copy_book(full, target)
        target.commit([SawCommit("plover", 0, None, [])])
        before = sums(target)
        with pytest.raises(BookError, match=r"holds something else \(in .*saw"):
            copy_book(full, target)
        assert sums(target) == before


def test_a_copy_that_is_broken_off_leaves_nothing_and_can_be_begun_again(full, book_url):
    def broken(table: str, rows: int) -> None:
        if table == "letter":
            raise KeyboardInterrupt

    with Book(book_url) as target:
        before = sums(target)
        with pytest.raises(KeyboardInterrupt):
            copy_book(full, target, broken)
        assert sums(target) == before
        assert copy_book(full, target)


def test_a_checksum_sees_one_changed_value(full):
    before = sums(full)
    with writing(full.engine) as connection:
        connection.execute(schema.cut.update().where(schema.cut.c.start_us == 200).values(mean_ma=6101))
    changed = [name for name, found in sums(full).items() if found != before[name]]
    assert changed == ["cut"]
