"""What was learned of a saw, in a real book: append-only, and in one transaction with what follows from it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from sqlalchemy import update

from collector.adopt import newest
from collector.book import Book, BookError, SawCommit
from collector.book.engine import writing
from collector.book.habits import HabitHistory, Learned, saw_habits
from collector.book.settings import SawSettings, SettingsHistory
from collector.detect.habits import NEW, Habits
from collector.facts import Run

KNOWN = Learned("heron", 100, Habits(True, (2_000_000, 2_400_000), (3_000, 3_300)), 23, 22, 90, 105, 190, 200)


def test_the_newest_version_is_at_work_and_the_past_is_kept(book: Book) -> None:
    history = HabitHistory(book)
    assert history.newest("heron") is None
    assert history.at("heron", 5) is None
    later = replace(KNOWN, valid_from=400, habits=Habits(False, None, None))
    unknown = replace(KNOWN, valid_from=300, habits=NEW, brakes=0)
    for version in (KNOWN, later, unknown):
        history.add(version, None)
    assert history.newest("heron") == unknown
    assert history.versions("heron") == [unknown, later, KNOWN]
    assert [history.at("heron", at) for at in (50, 100, 299, 300, 500)] == [KNOWN, KNOWN, KNOWN, unknown, unknown]
    assert history.versions("plover") == []
    with pytest.raises(BookError, match="egret"):
        history.add(replace(KNOWN, saw="egret"), None)


def test_a_version_comes_with_the_mark_of_what_is_to_be_derived_again_or_neither_does(book: Book) -> None:
    history = HabitHistory(book)

    def closed(_connection: object) -> None:
        raise BookError("somebody else's saw by now")

    with pytest.raises(BookError, match="somebody else"):
        history.add(KNOWN, (105, 190), closed)
    assert history.newest("heron") is None
    assert book.dirty("heron") == []
    before = book.revision()
    history.add(KNOWN, (105, 190))
    assert [(s.from_us, s.to_us) for s in book.dirty("heron")] == [(105, 190)]
    assert book.changed(before) == ["heron"]


def test_whoever_asks_learns_that_somebody_wrote_settings_or_habits(book: Book) -> None:
    seen = [newest(book)]
    HabitHistory(book).add(KNOWN, None)
    seen.append(newest(book))
    SettingsHistory(book).add(SawSettings("plover", 1, {}, None, "installer", 1))
    seen.append(newest(book))
    assert len(set(seen)) == 3
    assert newest(book) == seen[-1]


def test_what_another_version_of_the_program_knew_besides_is_left_out(book: Book) -> None:
    HabitHistory(book).add(KNOWN, None)
    said = {"brake_seen": False, "luck": [1, 2]}
    with writing(book.engine) as connection:
        connection.execute(update(saw_habits).values(habits=json.dumps(said)))
    known = HabitHistory(book).newest("heron")
    assert known is not None
    assert known.habits == Habits(False, None, None)


def test_the_newest_runs_that_were_over_come_in_order(book: Book) -> None:
    runs = [Run("heron", start, start + 5, None, None, 0) for start in (10, 20, 30, 40)]
    book.commit([SawCommit("heron", 0, None, [*runs, Run("heron", 50, None, None, None, 0)])])
    history = HabitHistory(book)
    assert history.runs("heron", 100, 3) == [(20, 25), (30, 35), (40, 45)]
    assert history.runs("heron", 44, 9) == [(10, 15), (20, 25), (30, 35)]
    assert history.runs("plover", 100, 9) == []
