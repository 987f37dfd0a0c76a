"""A book that a failing disk has torn: facts come from the trace again, what people said is kept where it can be read."""

from __future__ import annotations

import random
import sqlite3

import pytest

from collector.book import Book
from collector.book.entries import BookError
from collector.book.mend import mend_book
from collector.facts import SECOND
from tests.ingest.conftest import T0, Shop, motor
from tests.ingest.threshold import derive

DAY = motor([(5, 0), *[(4, 3.2), (6, 7.1)] * 40, (4, 3.2), (40, 0)])
SAID = "the guide of the beam sticks, heard at the first cut in the morning"


def fill(shop: Shop) -> None:
    for at in range(DAY.first, DAY.last + 1, 20 * SECOND):
        shop.take(DAY.between(at, at + 20 * SECOND))
        shop.ingest.settle()
    with sqlite3.connect(shop.folder / "book.db") as db:
        for n in range(200):
            db.execute("INSERT INTO plan (valid_from_us, body) VALUES (?, ?)", (T0 + n, f'"{SAID} {n}"'))
    db.close()
    assert shop.facts() == derive("heron", DAY)


def pages_of(folder, name: str) -> list[int]:
    """The leaf pages of a table."""
    with sqlite3.connect(folder / "book.db") as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        query = "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY pageno"
        found = [number for (number,) in db.execute(query, (name,))]
        size = db.execute("PRAGMA page_size").fetchone()[0]
    db.close()
    return [(number - 1) * size for number in found]


def tear(folder, places: list[int]) -> None:
    rng = random.Random(11)
    with (folder / "book.db").open("r+b") as file:
        for place in places:
            file.seek(place)
            file.write(rng.randbytes(4096))


def reopen(shop: Shop):
    mended = mend_book(f"sqlite:///{shop.folder}/book.db", shop.trace.first)
    shop.book = Book(f"sqlite:///{shop.folder}/book.db")
    shop.open().catch_up()
    return mended


@pytest.mark.parametrize("table", ["cut", "run", "checkpoint", "plan", "now"])
def test_a_book_torn_in_any_table_has_all_its_facts_again(shop, table):
    fill(shop)
    shop.book.close()
    tear(shop.folder, pages_of(shop.folder, table)[:1])
    mended = reopen(shop)
    assert mended is not None
    assert mended.aside.exists()
    assert shop.facts() == derive("heron", DAY)


def test_of_what_people_said_only_the_torn_page_is_missing(shop):
    fill(shop)
    shop.book.close()
    pages = pages_of(shop.folder, "plan")
    assert len(pages) > 3
    tear(shop.folder, [pages[len(pages) // 2]])
    mended = reopen(shop)
    assert mended.torn == ("plan",)
    assert len(shop.book.plans()) == mended.kept["plan"]
    assert 200 * (1 - 2 / len(pages)) <= mended.kept["plan"] < 200


def test_facts_from_before_the_trace_begins_are_taken_along(shop, tmp_path):
    fill(shop)
    facts = shop.facts()
    shop.close()
    (tmp_path / "trace.db").unlink()
    for end in ("-wal", "-shm"):
        (tmp_path / f"trace.db{end}").unlink(missing_ok=True)
    tear(tmp_path, pages_of(tmp_path, "now")[:1])
    mend_book(f"sqlite:///{tmp_path}/book.db", lambda _: None)
    shop.die()
    assert shop.facts() == facts


def test_a_sound_book_and_none_at_all_are_left_alone(shop, tmp_path):
    fill(shop)
    assert mend_book(f"sqlite:///{shop.folder}/book.db", shop.trace.first) is None
    assert mend_book(f"sqlite:///{tmp_path}/none.db", shop.trace.first) is None
    assert mend_book("postgresql+psycopg://127.0.0.1/none", shop.trace.first) is None


def test_a_file_that_is_no_database_is_not_moved(shop, tmp_path):
    stranger = tmp_path / "letters.txt"
    stranger.write_text("Dear all, " * 1000)
    with pytest.raises(BookError, match="does not begin like a database"):
        mend_book(f"sqlite:///{stranger}", shop.trace.first)
    assert stranger.exists()


def test_while_the_trace_is_out_of_reach_the_torn_book_stays_where_it_is_and_is_mended_later(shop, tmp_path):
    def unreachable(_saw):
        raise OSError("no answer")

    fill(shop)
    shop.book.close()
    tear(tmp_path, pages_of(tmp_path, "cut")[:1])
    with pytest.raises(OSError, match="no answer"):
        mend_book(f"sqlite:///{tmp_path}/book.db", unreachable)
    assert reopen(shop).kept["plan"] == 200
    assert shop.facts() == derive("heron", DAY)
