"""What is said about blades is kept, once, on every database."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from sqlalchemy import inspect

from api.answers.fittings import fittings
from collector.book.blade_entries import BladeEvent, BladeSheet, ChangeSaid, Fate, SheetSaid
from collector.book.blades import BladeBook, blade_change, blade_event, blade_sheet
from collector.book.book import Book
from collector.book.entries import SawCommit, SawEntry
from collector.book.marks import Marks
from collector.facts import SECOND, Cut, Direction, DoorVisit, Run
from collector.marks import Mark, MarkKind


@pytest.fixture
def book(book_url):
    with Book(book_url) as book:
        book.open_saws([SawEntry("heron"), SawEntry("plover")])
        yield book


@pytest.fixture
def blades(book):
    return BladeBook(book)


CHANGE = ChangeSaid("k1", 5, "operator", "heron", "change", 4, "TP-03", Fate.SHARPEN)


def test_the_migration_makes_the_tables_that_the_code_knows(book):
    for table in (blade_sheet, blade_event, blade_change):
        columns = {c["name"] for c in inspect(book.engine).get_columns(table.name)}
        assert columns == set(table.c.keys())


def test_what_is_said_comes_back(blades):
    sheet = SheetSaid("s", 1, "lead", BladeSheet("TP-03", 300.0, 60, "trapezoidal", 3.2, price_cents=8900))
    event = BladeEvent("e", 2, "lead", "TP-03", "sent", 3, 1450, "chipped tooth")
    kept = [blades.say_sheet(sheet)[0], blades.say_event(event)[0], blades.say_change(CHANGE)[0]]
    assert [replace(k, id=0) for k in kept] == [sheet, event, CHANGE]
    assert (blades.sheets(), blades.events(), blades.changes()) == ([kept[0]], [kept[1]], [kept[2]])


def test_said_twice_with_one_key_is_said_once(blades):
    first, fresh = blades.say_change(CHANGE)
    again, repeated = blades.say_change(replace(CHANGE, tag="TP-05"))
    assert (fresh, repeated) == (True, False)
    assert again == first
    assert blades.changes() == [first]


def test_eight_phones_at_once_with_one_key_are_one_entry(blades):
    with ThreadPoolExecutor(8) as pool:
        kept = list(pool.map(lambda _: blades.say_change(CHANGE), range(8)))
    assert sum(fresh for _, fresh in kept) == 1
    assert len({entry.id for entry, _ in kept}) == 1


def test_a_change_is_news_of_its_saw_for_every_screen(book, blades):
    before = book.revision()
    blades.say_change(CHANGE)
    assert book.changed(before) == ["heron"]


def test_a_saw_that_the_book_does_not_know_is_an_error_and_leaves_nothing(blades):
    with pytest.raises(KeyError):
        blades.say_change(replace(CHANGE, saw="egret"))
    assert blades.changes() == []


def _cut(start, end, saw="heron"):
    return Cut(saw, start, end, Direction.HORIZONTAL, 6100, 7400, 3200, lock_moved=False, station=None)


def test_counts_in_the_database_are_those_of_the_rows(book, blades):
    cuts = [_cut(10 * i * SECOND, (10 * i + 4) * SECOND) for i in range(50)]
    book.commit([SawCommit("heron", 0, None, [*cuts[:-1], _cut(490 * SECOND, None)])])
    rows = blades.cuts("heron", 0, 2**60)
    assert rows.shape == (50, 5)
    assert rows[0].tolist() == [0, 4 * SECOND, 6100, 3200, 1]
    assert blades.cuts("heron", 0, 2**60, newest=3)[:, 0].tolist() == [470 * SECOND, 480 * SECOND, 490 * SECOND]
    blades.say_change(replace(CHANGE, at_us=205 * SECOND))
    (fitting,) = fittings(blades.changes())
    own = (rows[:, 0] >= fitting.start) & (rows[:, 0] < fitting.end)
    uses = blades.use([("heron", fitting.start, fitting.end), ("plover", 0, 2**60)])
    assert uses == [(int(own.sum()), 28 * 4 * SECOND), (0, 0)]
    assert blades.count_cuts([("heron", fitting.start, fitting.end)], []) == [own.sum(), 0] == [29, 0]


def test_what_people_marked_counts_for_the_blade_as_everywhere_else(book, blades):
    s = SECOND
    book.commit([SawCommit("heron", 0, None, [_cut(100 * i * s, (100 * i + 40) * s) for i in range(1, 6)])])
    said = Marks(book)
    said.add(Mark("heron", MarkKind.NO_CUT, 200 * s, 240 * s, "operator", 900 * s, ""))
    drawn = Mark(
        "heron", MarkKind.MISSED_CUT, 450 * s, 480 * s, "operator", 900 * s, "", Direction.VERTICAL, 5000, 5, 3
    )
    said.add(drawn)
    span = ("heron", 0, 490 * s)
    assert blades.counting(*span)[:, 0].tolist() == [100 * s, 300 * s, 400 * s, 450 * s]
    assert blades.use([span]) == [(4, 150 * s)]
    assert blades.count_cuts([span]) == [4]
    assert blades.cuts(*span)[:, 0].tolist() == [100 * s, 300 * s, 400 * s]
    assert sum(book.count_cuts(0, 490 * s)["heron"].values()) == 4


def test_door_visits_come_with_the_runs_around_them(book, blades):
    s = SECOND
    runs = [Run("heron", 0, 10 * s, None, None, 0), Run("heron", 200 * s, None, None, None, 0)]
    door = DoorVisit("heron", 20 * s, 120 * s, current_seen=False, before_stop=False)
    book.commit([SawCommit("heron", 0, None, [*runs, door])])
    assert blades.door_visits("heron", 100 * s, 300 * s) == ([(20 * s, 120 * s)], [(200 * s, None)])
